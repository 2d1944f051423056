package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"nightcell/alerts"
	"nightcell/configs"
	"nightcell/configs/quantity"
	"nightcell/daemon/books"
	"nightcell/daemon/ledger"
	"nightcell/daemon/report"
	"nightcell/daemon/report/plansheet"
	"nightcell/daemon/runlog"
	"nightcell/drivers"
	"nightcell/drivers/scpi"
)

type checkFlags struct {
	config, patience, record string
	ask                      bool
	rack                     *scpi.Rack // by which the supplies are asked; nil: one of its own
}

func newCheckCommand(s *shell) *cobra.Command {
	var f checkFlags
	cmd := newCommand("check", func(cmd *cobra.Command, _ []string) error { return f.run(cmd.Context(), s) })
	flags := cmd.Flags()
	flags.StringVar(&f.config, "config", "", "configuration `file` (TOML)")
	flags.BoolVar(&f.ask, "ask", false, "query each supply without changing its settings")
	flags.StringVar(&f.patience, "patience", "20 s", "longest `time` for one supply to answer all queries")
	recordFlag(flags, &f.record)
	return cmd
}

func (f *checkFlags) run(ctx context.Context, s *shell) (err error) {
	if f.config == "" {
		return usagef("--config is missing; name the configuration file, such as --config nightcell.toml")
	}
	if f.record != "" && !f.ask {
		return usagef("--record %s: nothing is asked without --ask; add it", f.record)
	}
	patience, err := parseSpan("patience", f.patience, time.Hour)
	if err != nil {
		return err
	}
	config, err := configs.Load(f.config)
	var mistakes configs.Mistakes
	switch {
	case errors.As(err, &mistakes):
		_ = s.tell(s.err, mistakes.Error()+"\n")
		return usageError{errSilent}
	case err != nil:
		return usageError{err}
	}
	answers, sound := "", true
	if f.ask {
		rack := f.rack
		if rack == nil {
			rack = new(scpi.Rack)
			if rack.Record, err = beginRecord(s, f.record); err != nil {
				return err
			}
			defer endRecord(rack.Record, &err)
		}
		answers, sound = askAll(ctx, config, rack, patience)
	}
	wrong, notes := outside(config)
	var b strings.Builder
	for _, m := range wrong {
		fmt.Fprintln(&b, m)
	}
	if len(wrong) == 0 {
		cells := "1 cell"
		if n := len(config.Cells); n != 1 {
			cells = fmt.Sprintf("%d cells", n)
		}
		fmt.Fprintf(&b, "%s: no mistakes; %s\n", f.config, cells)
	}
	for _, m := range slices.Concat(notes, config.Notes, config.Unfilled()) {
		fmt.Fprintf(&b, "note: %s\n", m.Error())
	}
	for i := range config.Cells {
		printCell(&b, config, &config.Cells[i])
	}
	b.WriteString(answers)
	if !f.ask && len(wrong) == 0 {
		b.WriteString("\nNo supply was queried; add --ask to query them without changing settings.\n")
	}
	err = s.tell(s.out, b.String())
	if err == nil && len(wrong) > 0 {
		return usageError{errSilent}
	}
	return soundOr(sound, err)
}

// outside tries secrets, templates and files. What only another user may read is no mistake but a note.
func outside(config *configs.Config) (wrong, notes configs.Mistakes) {
	notes = config.Exposed()
	for _, err := range config.Outside() {
		if errors.Is(err, fs.ErrPermission) {
			notes = append(notes, err)
		} else {
			wrong = append(wrong, err)
		}
	}
	return wrong, notes
}

// checkLine writes a line below the name of a cell or a supply.
func checkLine(w io.Writer, name, format string, args ...any) {
	fmt.Fprintf(w, "  %-12s %s\n", name, fmt.Sprintf(format, args...))
}

// printCell writes what a cell's configuration comes to.
func printCell(w io.Writer, config *configs.Config, c *configs.Cell) {
	s := config.Supply(c.Supply)
	var notes []string
	if s.Assumed {
		notes = append(notes, fmt.Sprintf("the accuracy of supply %s is assumed; copy [supply.%s.accuracy] from its data sheet", s.Name, s.Name))
	}
	notes = slices.Concat(notes, slowAttach(s), plansheet.Unlimited(c))
	if c.Efficiency.Learned {
		taught, lesson, err := new(books.Pupil).Taught(config, c.Name)
		if err != nil {
			notes = append(notes, err.Error())
		} else {
			c, config = taught.Cell(c.Name), taught
			notes = append(notes, plansheet.LessonLines(lesson)...)
		}
	}
	plan, err := c.Plan(s)
	var on ledger.Continued
	if frozen, wrong := config.Frozen(c.Name); plan != nil && wrong == nil {
		if on, err = ledger.Continue(config.Data, frozen, c.Name, time.Now(), runlog.Patience); on.Left != "" {
			c, plan = on.Cell, on.Plan
			notes = append(notes, "not followed from run to run: "+ledger.NotFollowed)
		}
		if on.Told != "" {
			notes = append(notes, on.Told)
		}
	}
	if err != nil { // Parse has tried the plan and let it through
		notes = append(notes, err.Error())
	}
	line := func(name, format string, args ...any) { checkLine(w, name, format, args...) }
	fmt.Fprintf(w, "\ncell %s\n", c.Name)
	line("supply", "%s, %s, on %s", c.Supply, c.Wiring(), s.Line.Address)
	if len(c.Meters) > 0 {
		line("meters", "%s", strings.Join(c.Meters, ", "))
	}
	line("poll", "every %s; no reading for %s is a gap; log synced every %s", quantity.Duration(c.Poll), quantity.Duration(c.GapAfter), quantity.Duration(c.Sync))
	line("may", "%s", mayWords(c))
	if c.Reason != "" {
		line("reason", "%s", c.Reason)
	}
	if plan == nil {
		notes = append(notes, "no target is set; charge is counted without an end")
	} else {
		g := plan.Goal
		inBath := report.Show(plan.Amount, report.Grams) + " of " + plan.Metal.Element.Name
		if on.Left != "" {
			inBath = strings.Replace(on.Left, " that", " of "+plan.Metal.Element.Name+" that", 1)
		}
		line("in the bath", "%s", inBath)
		if on.Blank != "" {
			line("blank", "%s", on.Blank)
		}
		line("target", "%s, as counted with this supply (k = 2)", report.Show(g.Charge, report.AmpereHours))
		line("deposit", "%s", report.Show(g.Deposit, report.Grams))
		if g.Duration.Known() {
			line("duration", "%s at %s", report.Lasting(g.Duration), quantity.Format(quantity.Current, c.States.Current.Value))
		}
		notes = slices.Concat(notes, plansheet.BrokenLimits(s, c, plan), plan.Notes)
	}
	for _, n := range notes {
		line("note", "%s", n)
	}
}

// mayWords is what nightcell may do to the output of a cell, and when it does it by itself.
func mayWords(c *configs.Cell) string {
	if c.May == (alerts.Permission{}) {
		return "monitor only"
	}
	onStop := c.OnStop.String()
	if c.OnStop == alerts.Notify {
		onStop = "leave" // as it is written in the file
	}
	return fmt.Sprintf("%s; at target: %s; when nightcell stops: %s", c.May, c.AtTarget, onStop)
}

// slowAttach says that the unit's watchdog may not outlast the first contact with a supply: only good readings feed it.
func slowAttach(s *configs.Supply) []string {
	const watchdog = time.Minute // WatchdogSec of the shipped unit
	longest := s.FirstContact()
	if longest <= watchdog {
		return nil
	}
	return []string{fmt.Sprintf("supply %s may take %s to give its first reading (dialect timeout); under systemd shorten the timeout or set WatchdogSec above that, else a slow supply restarts nightcell endlessly",
		s.Name, quantity.Format(quantity.Time, longest.Seconds()))}
}

// askAll asks each supply in turn for its channels, and all supplies at the same time, each for no longer than patience. It returns
// what they answered, in the order of the configuration, and whether all answered as they should.
func askAll(ctx context.Context, config *configs.Config, rack *scpi.Rack, patience time.Duration) (answers string, sound bool) {
	type answer struct {
		strings.Builder
		err error
	}
	each := make([]answer, len(config.Supplies)+len(config.Meters))
	clock := drivers.NewClock(1)
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	var all sync.WaitGroup
	for i := range config.Supplies {
		all.Go(func() { each[i].err = askSupply(ctx, &each[i], config, &config.Supplies[i], rack, clock) })
	}
	for i := range config.Meters {
		a := &each[len(config.Supplies)+i]
		all.Go(func() { a.err = askMeter(ctx, a, &config.Meters[i], rack, clock) })
	}
	all.Wait() // ends: every driver call keeps to its context
	sound = true
	for i := range each {
		answers += each[i].String()
		sound = sound && each[i].err == nil
	}
	return answers, sound
}

// problem says what went wrong, if anything did, in a line of what was asked.
func problem(w io.Writer, err error) error {
	if err != nil {
		checkLine(w, "PROBLEM", "%s", withoutEcho(err))
	}
	return err
}

// askMeter opens a meter, takes one reading, and closes it again.
func askMeter(ctx context.Context, w io.Writer, m *configs.Meter, rack *scpi.Rack, clock drivers.Clock) error {
	fmt.Fprintf(w, "\nmeter %s, on %s\n", m.Name, m.Line.Address)
	meter, err := rack.OpenMultimeter(ctx, m.Settings(), m.Queries, clock)
	if err != nil {
		return problem(w, err)
	}
	begun := time.Now()
	identity, err := meter.Identify(ctx)
	if err == nil {
		checkLine(w, "identity", "%s", identity)
		var got scpi.Measured
		if got, err = meter.Poll(ctx); err == nil {
			bath := ""
			if kelvin := got.Kelvin(); kelvin > 0 {
				bath = fmt.Sprintf("%.1f °C, ", kelvin-273.15)
			}
			checkLine(w, "reading", "%s, %swithin %.3g ms", reported(drivers.Volts(got.Volts), drivers.Amperes(m.Amperes(got.Current))), bath, time.Since(begun).Seconds()*1e3)
			err = identity.Expect(m.Identity)
		}
	}
	return problem(w, errors.Join(err, meter.Close()))
}

// reported is a voltage and a current, either of which an instrument may not tell.
func reported(v drivers.Volts, a drivers.Amperes) string {
	one := func(value float64, unit string) string {
		if math.IsNaN(value) {
			return "not reported"
		}
		return fmt.Sprintf("%.5g %s", value, unit)
	}
	return one(float64(v), "V") + ", " + one(float64(a), "A")
}

// askSupply asks the channels that have a cell, or the first one of a supply without.
func askSupply(ctx context.Context, w io.Writer, config *configs.Config, s *configs.Supply, rack *scpi.Rack, clock drivers.Clock) error {
	var failed []error
	for i := range config.Cells {
		if c := &config.Cells[i]; c.Supply == s.Name {
			for _, n := range c.Channels() {
				failed = append(failed, askChannel(ctx, w, s, s.Line.Address, n, c, rack, clock))
			}
		}
	}
	if failed == nil {
		return askChannel(ctx, w, s, s.Line.Address, 1, nil, rack, clock)
	}
	return errors.Join(failed...)
}

// askChannel opens one channel, asks everything, and closes it again. c is nil when no cell is on it.
func askChannel(ctx context.Context, w io.Writer, s *configs.Supply, port string, channel int, c *configs.Cell, rack *scpi.Rack, clock drivers.Clock) error {
	fmt.Fprintf(w, "\nsupply %s, channel %d, on %s\n", s.Name, channel, port)
	// The driver refuses more current than it takes for possible, and a check is where
	// too much shall be seen, so it is told the range alone.
	supply, err := rack.Open(ctx, s.Settings(channel, math.NaN()), clock)
	if err != nil {
		return problem(w, err)
	}
	notes, err := ask(ctx, w, supply, s.Identity, c)
	if closing := supply.Close(); err == nil && closing != nil {
		err = fmt.Errorf("releasing the port: %w", closing)
	}
	for _, n := range notes {
		checkLine(w, "note", "%s", n)
	}
	return problem(w, err)
}

// ask asks all that can be asked, and notes what a person should know.
func ask(ctx context.Context, w io.Writer, supply drivers.Supply, want string, c *configs.Cell) (notes []string, err error) {
	identity, err := supply.Identify(ctx)
	if err != nil {
		return nil, fmt.Errorf("querying the identity: %w", err)
	}
	checkLine(w, "identity", "%s", identity)
	status, err := supply.Status(ctx)
	if err != nil {
		return nil, fmt.Errorf("querying output, set-points and protection: %w", err)
	}
	checkLine(w, "output", "%s, %s", status.Output, status.Mode)
	checkLine(w, "set to", "%s", reported(status.SetVolts, status.SetAmperes))
	checkLine(w, "protection", "%s", reported(status.LimitVolts, status.LimitAmperes))
	reading, err := supply.Poll(ctx)
	if err == nil {
		checkLine(w, "reading", "%s, within %.3g ms", reported(reading.Volts, reading.Amperes), reading.Took.Seconds()*1e3)
	}
	for _, e := range status.Errors {
		checkLine(w, "error queue", "%s", e)
	}
	if err != nil {
		return nil, fmt.Errorf("taking a reading: %w", err)
	}
	if err := identity.Expect(want); err != nil {
		return nil, err
	}
	if want == "" {
		notes = append(notes, fmt.Sprintf("no identity is configured; add identity = %q to refuse any other instrument", identity.Maker+","+identity.Model+","+identity.Serial))
	}
	return append(notes, differences(&status, &reading, c)...), nil
}

// differences notes where the supply stands otherwise than the cell's limits suppose; c is nil when there is no cell.
func differences(s *drivers.Status, r *drivers.Reading, c *configs.Cell) (notes []string) {
	note := func(format string, args ...any) { notes = append(notes, fmt.Sprintf(format, args...)) }
	if len(s.Tripped) > 0 {
		note("protection has acted: %s", strings.Join(s.Tripped, ", "))
	}
	// A cell at rest shows what a battery would; trade practice calls 0.3 V the sign that it is connected.
	if s.Output == drivers.OutputOff && r.Volts > 0.3 {
		note("the output is off but reads %.3g V: the connected cell acts as a battery", r.Volts)
	}
	if c == nil {
		return notes
	}
	volts, amperes := c.Limits.Volts*float64(c.Series), c.Limits.Amperes/float64(len(c.Channels()))
	if float64(s.SetAmperes) > amperes {
		note("the current set-point %.4g A is above the cell's limit of %.4g A", s.SetAmperes, amperes)
	}
	if float64(r.Amperes) > amperes {
		note("the current is %.4g A, above the cell's limit of %.4g A", r.Amperes, amperes)
	}
	switch {
	case math.IsNaN(float64(s.LimitVolts)):
		note("the supply does not report its over-voltage level; check it on the front panel")
	case float64(s.LimitVolts) > volts:
		note("the over-voltage level %.4g V is above the cell's limit of %.4g V: the alarm would come before the trip", s.LimitVolts, volts)
	}
	if float64(s.LimitAmperes) > 1.5*amperes {
		note("the over-current level %.4g A is far above the cell's limit of %.4g A", s.LimitAmperes, amperes)
	}
	return notes
}
