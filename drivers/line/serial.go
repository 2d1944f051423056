package line

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"
	"syscall"
	"time"

	"go.bug.st/serial"

	"nightcell/drivers/recording"
)

var parities = map[string]serial.Parity{
	"none": serial.NoParity, "odd": serial.OddParity, "even": serial.EvenParity,
	"mark": serial.MarkParity, "space": serial.SpaceParity,
}

var stopBits = map[string]serial.StopBits{
	"1": serial.OneStopBit, "1.5": serial.OnePointFiveStopBits, "2": serial.TwoStopBits,
}

func openSerial(s Settings) (port, error) {
	d, err := openDevice(s.Address)
	if err != nil {
		return nil, err
	}
	// The library's InitialStatusBits stay nil: they set both modem lines or none, and pseudo-terminals have neither.
	p, err := serial.Open(s.Address, &serial.Mode{
		BaudRate: s.Baud, DataBits: s.DataBits, Parity: parities[s.Parity], StopBits: stopBits[s.StopBits],
	})
	if err != nil {
		_ = d.close() // the open error is the one that tells
		return nil, explain(s, err)
	}
	if err = setModem(s, p); err != nil {
		err = errors.Join(err, p.Close())
	} else {
		err = d.adopt(p)
	}
	if err != nil {
		return nil, errors.Join(err, d.close())
	}
	return d, nil
}

// setModem sets those of the modem lines that the settings name.
func setModem(s Settings, p serial.Port) error {
	for _, l := range []struct {
		name, wanted string
		set          func(bool) error
	}{{"dtr", s.DTR, p.SetDTR}, {"rts", s.RTS, p.SetRTS}} {
		if l.wanted == "" {
			continue
		}
		if err := l.set(l.wanted == "on"); err != nil {
			return fmt.Errorf("the port has no %s line to switch %s; remove %s from the supply's table: %w", strings.ToUpper(l.name), l.wanted, l.name, err)
		}
	}
	return nil
}

// explain turns an open error into a sentence with the way out.
func explain(s Settings, err error) error {
	var pe *serial.PortError
	code := serial.PortErrorCode(-1)
	if errors.As(err, &pe) {
		code = pe.Code()
	}
	switch {
	case errors.Is(err, fs.ErrNotExist) || code == serial.PortNotFound:
		return fmt.Errorf("there is no such port; plug the adapter in, and take its stable name from nightcell ports: %w", err)
	case errors.Is(err, fs.ErrPermission) || code == serial.PermissionDenied:
		return fmt.Errorf("permission denied; %s: %w", permissionHint(s.Address), err)
	case errors.Is(err, syscall.EBUSY) || code == serial.PortBusy:
		return fmt.Errorf("%w: %w", heldError(s.Address), err)
	case errors.Is(err, syscall.ENXIO) || errors.Is(err, syscall.EIO):
		return fmt.Errorf("the port is there but nothing is behind it; plug the adapter in again: %w", err)
	case code == serial.InvalidSpeed || code == serial.InvalidParity || code == serial.InvalidDataBits || code == serial.InvalidStopBits,
		code == serial.InvalidSerialPort && strings.Contains(err.Error(), "configuring"): // the library hides the code below its own
		return fmt.Errorf("the port cannot do %d baud, %d data bits, parity %s, %s stop bits: %w", s.Baud, s.DataBits, s.Parity, s.StopBits, err)
	case code == serial.InvalidSerialPort:
		return fmt.Errorf("not a serial port; nightcell ports lists those there are: %w", err)
	}
	return err
}

// permissionHint says whose permission is missing.
func permissionHint(path string) string {
	group := groupOf(path)
	switch group {
	case "":
		return "ask the system's administrator for access to the port"
	case "root":
		return "the port belongs to root alone: copy configs/nightcell.rules to /etc/udev/rules.d/70-nightcell.rules, and plug it in again"
	}
	return fmt.Sprintf("the port belongs to group %q: sudo usermod -aG %s %s, then log in again", group, group, os.Getenv("USER"))
}

// port is what the owner drives. Only unstick may be called from another goroutine.
type port interface {
	// read waits for at least one byte; 0 and no error is a time-out. With wait 0 it takes only what is there.
	read(p []byte, wait time.Duration) (int, error)
	// write hands all of p to the system, or fails within wait.
	write(p []byte, wait time.Duration) error
	// others names the processes that have the port open besides this one, or opened it since the last question; "" when none is known of.
	others() string
	// unstick frees a call that the system will not end, loses what it was sending, and gives
	// up the claim on the device, so that it can be opened anew whatever becomes of the owner.
	unstick()
	close() error
}

// openPort opens the port, at the latest when ctx ends. An opening that the system will not end is
// left behind, and given back should it end after all.
func openPort(ctx context.Context, s Settings) (port, error) {
	switch {
	case s.tcp():
		return openTCP(ctx, s)
	case s.telnet():
		return openTelnet(ctx, s)
	case s.usbtmc:
		return openWithin(ctx, func() (port, error) { return openUSBTMC(s) })
	}
	return openWithin(ctx, func() (port, error) { return openSerial(s) })
}

func openWithin(ctx context.Context, open func() (port, error)) (port, error) {
	type opened struct {
		port port
		err  error
	}
	done := make(chan opened, 1)
	go func() { // ends when the system lets it
		p, err := open()
		done <- opened{p, err}
	}()
	select { // ends with ctx at the latest
	case o := <-done:
		return o.port, o.err
	case <-ctx.Done():
		go func() { // ends after it
			if o := <-done; o.err == nil {
				_ = o.port.close() // nobody waits for it
			}
		}()
		return nil, fmt.Errorf("the system does not open the port; if it stays so, unplug the adapter: %w", ctx.Err())
	}
}

const (
	typicalAnswer = 128                    // characters whose time on the wire is allowed for
	tcpScheme     = "tcp://"               // address of a raw socket
	telnetScheme  = "rfc2217://"           // address of a port at a network serial server
	writePatience = 500 * time.Millisecond // for the system to take bytes, beyond their time on the wire
)

// Settings say where the line leads and how its characters are made. Zero fields
// have the defaults named beside them.
type Settings struct {
	Address         string        // "/dev/…", on Windows "COM3", "tcp://host:port", or "rfc2217://host:port"
	Baud            int           // bit/s; 9600
	DataBits        int           // 8
	Parity          string        // none, odd, even, mark or space; none
	StopBits        string        // 1, 1.5 or 2; 1
	DTR, RTS        string        // on or off: what these modem lines are set to after opening; "" leaves them as the system does
	Terminator      string        // ends what is sent; "\n"
	ReplyTerminator string        // ends an answer, a carriage return before it is dropped; "\n"
	Bare            bool          // nothing ends what is sent; Terminator is not used
	Silence         time.Duration // if not 0, so much silence ends an answer, and ReplyTerminator is not used
	Echo            bool          // the line returns everything that is sent, and it is to be taken out
	LockDir         string        // lock files of TCP lines; a folder in the user's home, see lock.Folder
	DataDir         string        // takes the lock files instead where the user has no home
	ConnectLimit    time.Duration // TCP; 5 s
	CloseLimit      time.Duration // 2 s
	Patience        time.Duration // with an answer, where the system's driver alone ends a read, and with an acknowledgement of Modbus; 1 s
	Modbus          string        // rtu or tcp: messages name registers (package modbus), and travel as its frames
	Unit            int           // address of the device on a line of Modbus

	Record *recording.Recorder // keeps every byte; nil: none

	usbtmc bool // the address is a USB test-and-measurement device
}

func (s Settings) withDefaults() Settings {
	s.Parity, s.StopBits, s.ReplyTerminator = cmp.Or(s.Parity, "none"), cmp.Or(s.StopBits, "1"), cmp.Or(s.ReplyTerminator, "\n")
	if !s.Bare {
		s.Terminator = cmp.Or(s.Terminator, "\n")
	}
	s.Baud, s.DataBits = cmp.Or(s.Baud, 9600), cmp.Or(s.DataBits, 8)
	s.ConnectLimit, s.CloseLimit, s.Patience = cmp.Or(s.ConnectLimit, 5*time.Second), cmp.Or(s.CloseLimit, 2*time.Second), cmp.Or(s.Patience, time.Second)
	switch s.usbtmc = isUSBTMC(s.Address); {
	case s.usbtmc:
		s.Patience = max(s.Patience, leastPatience)
	case s.Modbus == "":
		s.Patience = 0
	}
	return s
}

// check refuses an address that leads nowhere. How characters are made, the reader of the configuration checks.
func (s Settings) check() error {
	switch {
	case s.Address == "":
		return fmt.Errorf("no port is named; give the stable name under /dev/serial/by-id that nightcell ports shows, or tcp://host:port")
	case strings.Contains(s.Address, "://") && !s.tcp() && !s.telnet():
		return fmt.Errorf("this kind of address is not known; use a device such as /dev/serial/by-id/…, tcp://host:port, or rfc2217://host:port")
	}
	return nil
}

func (s Settings) tcp() bool    { return strings.HasPrefix(s.Address, tcpScheme) }
func (s Settings) telnet() bool { return strings.HasPrefix(s.Address, telnetScheme) }

// Rated says whether characters go at a rate on the line with this address, and not as they come.
func Rated(address string) bool {
	return !Settings{Address: address}.tcp() && !isUSBTMC(address)
}

// bits is the length of one character on the wire: start, data, parity, stop.
func (s Settings) bits() float64 {
	n := 1 + float64(s.DataBits) + map[string]float64{"1": 1, "1.5": 1.5, "2": 2}[s.StopBits]
	if s.Parity != "none" {
		n++
	}
	return n
}

// Duration is the time that n characters take on the wire; zero over raw TCP and USB, where nobody says at what rate.
func (s Settings) Duration(n int) time.Duration {
	if s.tcp() || s.usbtmc {
		return 0
	}
	return time.Duration(float64(n) * s.bits() / float64(s.Baud) * float64(time.Second))
}

// form is how a recording shows the settings of the characters.
func (s Settings) form() string {
	switch {
	case s.tcp():
		return "socket"
	case s.usbtmc:
		return "messages"
	}
	return fmt.Sprintf("%d %d%c%s", s.Baud, s.DataBits, s.Parity[0]&^0x20, s.StopBits)
}

// recorded is a port of which every byte is kept.
type recorded struct {
	port
	kept *recording.Port
}

// unrecorded is the port itself.
func unrecorded(p port) port {
	if r, ok := p.(recorded); ok {
		return r.port
	}
	return p
}

func (r recorded) read(p []byte, wait time.Duration) (int, error) {
	n, err := r.port.read(p, wait)
	r.kept.Note(recording.Received, p[:n])
	return n, err
}

func (r recorded) write(p []byte, wait time.Duration) error {
	r.kept.Note(recording.Sent, p) // before, lest the answer stand before it
	return r.port.write(p, wait)
}

// writeLimit is how long the system may take to accept n characters.
func (s Settings) writeLimit(n int) time.Duration { return s.Duration(n) + writePatience + s.Patience }
