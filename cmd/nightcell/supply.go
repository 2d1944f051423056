package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"nightcell/configs"
	"nightcell/configs/quantity"
	"nightcell/drivers"
	"nightcell/drivers/line"
	"nightcell/drivers/recording"
	"nightcell/drivers/scpi"
	"nightcell/drivers/simulated"
)

// simulateFlags are the flags of nightcell simulate.
type simulateFlags struct {
	scenario, recording, link, meter, length string
	speed                                    float64
	channels                                 int
	setup                                    simulated.Setup
}

func newSimulateCommand(s *shell) *cobra.Command {
	var f simulateFlags
	cmd := newCommand("simulate", func(cmd *cobra.Command, _ []string) error { return f.run(cmd, s) })
	flags := cmd.Flags()
	flags.StringVar(&f.scenario, "scenario", "", "scenario `file` (TOML; default: no fault)")
	flags.StringVar(&f.recording, "recording", "", "answer out of this recording `file`, in place of a supply and a cell")
	flags.StringVar(&f.link, "link", "", "`path` of a symbolic link to the port (default: in a temporary directory)")
	flags.StringVar(&f.meter, "meter", "", "also simulate a multimeter at the first cell, and link its port to this `path`: a shunt of 10 mΩ on "+
		"channel 1, the volts at the cell on 2 (MEAS:VOLT:DC? (@1), (@2)), the bath's temperature (MEAS:TEMP?)")
	flags.Float64Var(&f.speed, "speed", 1, "clock speed as a multiple of real time")
	flags.IntVar(&f.channels, "channels", 1, "how many channels of the supply drive a cell each; the second gives half as much current, the third a third")
	flags.Int64Var(&f.setup.Seed, "seed", 1, "seed of the noise and of random events")
	flags.StringVar(&f.length, "duration", "", "stop after this simulated `time`, such as \"2 h 30 min\" (default: run until interrupted)")
	return cmd
}

// clockable refuses a clock that a night would not end by, or that leaves no time to poll.
func clockable(speed float64) error {
	if !(speed >= 1 && speed <= 1e6) {
		return usagef("--speed %g: choose 1 to 1000000", speed)
	}
	return nil
}

func (f *simulateFlags) run(cmd *cobra.Command, s *shell) error {
	if f.channels < 1 || f.channels > simulated.MostChannels {
		return usagef("--channels %d: choose 1 to %d", f.channels, simulated.MostChannels)
	}
	duration, err := time.Duration(math.MaxInt64), error(nil)
	if f.length != "" {
		duration, err = parseSpan("duration", f.length, 30*365*24*time.Hour)
	}
	if err := errors.Join(clockable(f.speed), err, linkable(f.link), linkable(f.meter)); err != nil {
		return err
	}
	clock := drivers.NewClock(f.speed)
	f.setup.Clock, f.setup.Channels = clock, simulated.LiveChannels(f.channels)
	if f.scenario != "" {
		f.setup.Scenario, err = simulated.LoadScenario(f.scenario)
	}
	if f.recording != "" && err == nil {
		f.setup.Recording, err = recording.Load(f.recording)
	}
	if err != nil {
		return usageError{err}
	}
	instrument, err := simulated.New(f.setup)
	if err != nil {
		return usageError{err}
	}
	port, err := simulated.Serve(cmd.Context(), instrument, f.link)
	if err != nil {
		return speak(err)
	}
	fmt.Fprintf(s.out, "port %s\n", port.Path())
	if f.meter != "" {
		multimeter, err := simulated.NewMultimeter(instrument)
		if err != nil {
			return errors.Join(err, port.Close())
		}
		at, err := simulated.Serve(cmd.Context(), multimeter, f.meter)
		if err != nil {
			return errors.Join(speak(err), port.Close())
		}
		defer at.Close()
		fmt.Fprintf(s.out, "meter %s\n", at.Path())
	}
	var end <-chan time.Time // nil, which never comes, without --duration
	if f.length != "" {
		end = time.After(clock.Real(duration))
	}
	select { // ends by interrupt, by --duration, or when the port fails
	case <-cmd.Context().Done():
	case <-end:
	case <-port.Done():
	}
	if f.recording != "" { // nobody knows what was true
		return port.Close()
	}
	return errors.Join(port.Close(), f.tell(s, instrument, min(clock.Now(), duration)))
}

// linkable refuses a name that the port cannot have: one taken by something else, or in no folder.
func linkable(link string) error {
	if link == "" {
		return nil
	}
	if info, err := os.Lstat(link); err == nil && info.Mode()&os.ModeSymlink == 0 {
		return usagef("--link %s exists and is not a symbolic link; choose another name for the port", link)
	}
	if info, err := os.Stat(filepath.Dir(link)); err != nil || !info.IsDir() {
		return usagef("--link %s: folder %s does not exist; create it, or choose another name", link, filepath.Dir(link))
	}
	if info, err := os.Stat(filepath.Dir(link)); err == nil && info.Mode().Perm()&0o002 != 0 && runtime.GOOS != "windows" {
		return usagef("--link %s: any user may write to %s and could take that name; choose a folder of yours, such as --link bench-supply", link, filepath.Dir(link))
	}
	// The port is named by renaming a fresh link, so the folder must let us make one.
	trial, err := os.CreateTemp(filepath.Dir(link), ".nightcell-*")
	if err != nil {
		return usagef("--link %s: cannot create a link in %s; choose a folder of yours: %w", link, filepath.Dir(link), err)
	}
	return errors.Join(trial.Close(), os.Remove(trial.Name()))
}

// tell prints the truth of each channel at an instant, or later if somebody has asked later.
func (f *simulateFlags) tell(s *shell, i *simulated.Instrument, until time.Duration) error {
	return s.table(func(w io.Writer) {
		for n := range f.channels {
			if f.channels > 1 {
				fmt.Fprintf(w, "channel %d: ", n+1)
			}
			t := i.TruthAt(n+1, until)
			fmt.Fprintf(w, "true figures after %s: charge %.4f A·h, deposit %.3f g of %.2f g, energy %.2f W·h\n",
				quantity.Duration(t.At.Round(time.Second)), t.Charge/3600, t.DepositGrams, t.InitialGrams, t.Energy/3600)
			fmt.Fprintf(w, "bath %.3f L at %.2f g/L and %.1f °C; hydrogen %.4f mol; now %.3f V, %.3f A\n",
				t.Volume*1e3, t.Concentration, t.Temperature-273.15, t.Hydrogen, t.Volts, t.Amperes)
		}
	})
}

func newPortsCommand(s *shell) *cobra.Command {
	return newCommand("ports", func(*cobra.Command, []string) error {
		ports, err := line.Ports()
		switch {
		case errors.Is(err, line.ErrNoListing):
			return usageError{err}
		case err != nil:
			return err
		}
		return s.table(func(w io.Writer) { printPorts(w, ports) })
	})
}

func printPorts(w io.Writer, ports []line.Port) {
	if len(ports) == 0 {
		fmt.Fprintln(w, "No serial port found. Plug in the adapter and try again. For a supply on the network use port = \"tcp://host:port\".")
		return
	}
	fmt.Fprintln(w, "port\tdevice\tUSB\taccess\topen in")
	for _, p := range ports {
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\n", p.Name, p.Device, usbText(p.USB), accessText(p), cmp.Or(p.HeldBy, "none found"))
	}
}

func usbText(u *line.USB) string {
	if u == nil {
		return "-"
	}
	text := strings.TrimSpace(u.Vendor + ":" + u.Product + " " + strings.TrimSpace(u.Maker+" "+u.Name))
	if u.Serial == "" {
		return text + ", no serial number"
	}
	if text += ", serial " + u.Serial; u.SerialShared {
		text += " (not the only one)"
	}
	return text
}

func accessText(p line.Port) string {
	switch {
	case p.Access:
		return "yes"
	case p.Group == "":
		return "no"
	}
	return "no: join group " + p.Group
}

// recordFlag is the flag of every command that can keep what goes over its lines.
func recordFlag(flags *pflag.FlagSet, file *string) {
	flags.StringVar(file, "record", "", "keep every byte to and from the supplies, with its time, in a new `file`")
}

// beginRecord begins a recording; without a file there is none, which is nil. Should it end early, the standard error says so.
func beginRecord(s *shell, file string) (*recording.Recorder, error) {
	if file == "" {
		return nil, nil
	}
	r, err := recording.Create(file, func(err error) { fmt.Fprintf(s.err, "nightcell: --record %s: %v\n", file, err) })
	if err != nil {
		return nil, usagef("--record %w", err)
	}
	return r, nil
}

// endRecord ends the recording of a command that does nothing else for long: one that is not whole, which was told, makes it fail.
func endRecord(r *recording.Recorder, err *error) {
	if !r.Close() && *err == nil {
		*err = errSilent
	}
}

// hold plays a recording in place of the supply and holds a configuration against it.
func (a *attach) hold(ctx context.Context) error {
	if a.port != "" || a.config == "" {
		return usagef("--rehearse %s: give --config FILE and no port; the recording replaces the supply", a.rehearse)
	}
	c, err := configs.Load(a.config)
	if err != nil {
		return usageError{err}
	}
	r, err := recording.Load(a.rehearse)
	if err != nil {
		return usageError{err}
	}
	player, err := r.Player()
	if err != nil {
		return usageError{fmt.Errorf("%s: %w", a.rehearse, err)}
	}
	far, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return fmt.Errorf("playing the recording: %w", err)
	}
	done := make(chan struct{})
	go func() { // ends when the driver closes the line, or with far
		defer close(done)
		if conn, err := far.Accept(); err == nil {
			_ = player.Serve(conn)
			_ = conn.Close()
		}
	}()
	s := &c.Supplies[0]
	channel := 1
	for i := range c.Cells {
		if c.Cells[i].Supply == s.Name {
			channel = c.Cells[i].Channel
		}
	}
	s.Line.Address = "tcp://" + far.Addr().String()
	ctx, cancel := context.WithTimeout(ctx, 2*time.Minute)
	defer cancel()
	err = askChannel(ctx, a.out, s, a.rehearse, channel, nil, new(scpi.Rack), drivers.NewClock(1))
	closing := far.Close()
	<-done
	if len(player.Unknown) > 0 {
		fmt.Fprintf(a.out, "  %-12s never asked in the recording: %s\n", "note", drivers.Plain(strings.Join(player.Unknown, ", ")))
	}
	if err != nil {
		return errors.Join(errSilent, closing)
	}
	fmt.Fprintf(a.out, "\n%s speaks as the recording does.\n", a.config)
	return closing
}
