package line

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"strings"
	"time"
)

// What Telnet (RFC 854, 856, 858) and its COM-PORT-OPTION (RFC 2217) number.
const (
	iac, dont, do, wont, will, sb, se = 255, 254, 253, 252, 251, 250, 240

	optBinary, optGoAhead, optPort = 0, 3, 44

	setBaud, setData, setParity, setStop, setControl = 1, 2, 3, 4, 5
	fromServer                                       = 100 // is added to what the server acknowledges
)

// The values of RFC 2217 for what Settings name.
var (
	telnetParity = map[string]byte{"none": 1, "odd": 2, "even": 3, "mark": 4, "space": 5}
	telnetStop   = map[string]byte{"1": 1, "2": 2, "1.5": 3}
	telnetDTR    = map[string]byte{"on": 8, "off": 9}
	telnetRTS    = map[string]byte{"on": 11, "off": 12}
)

const noFlowControl = 1

// telnet is a port of a network serial server: a socket on which the port's settings travel beside the bytes.
type telnet struct {
	*socket
	protocol
}

func openTelnet(ctx context.Context, s Settings) (port, error) {
	p, err := dial(ctx, s, telnetScheme)
	if err != nil {
		return nil, err
	}
	t := &telnet{socket: p}
	if err := t.negotiate(ctx, s); err != nil {
		return nil, errors.Join(err, t.close())
	}
	return t, nil
}

// negotiate makes the server's port what the settings say, and believes only what the server acknowledges.
func (t *telnet) negotiate(ctx context.Context, s Settings) error {
	deadline := time.Now().Add(s.ConnectLimit)
	if d, ok := ctx.Deadline(); ok && d.Before(deadline) {
		deadline = d
	}
	err := t.socket.write([]byte{iac, will, optBinary, iac, do, optBinary, iac, do, optGoAhead, iac, will, optPort}, writePatience)
	if err == nil {
		err = t.until(deadline, func() bool { return t.agreed || t.refused })
	}
	if err != nil || !t.agreed {
		return errors.Join(errors.New("what answers there does not support RFC 2217; enable it at the serial server, or write tcp:// if it passes the bytes as they are"), err)
	}
	wanted := []struct {
		what  byte
		name  string
		value uint32
	}{
		{setBaud, fmt.Sprintf("baud = %d", s.Baud), uint32(s.Baud)}, {setData, fmt.Sprintf("data_bits = %d", s.DataBits), uint32(s.DataBits)},
		{setParity, fmt.Sprintf("parity = %q", s.Parity), uint32(telnetParity[s.Parity])}, {setStop, fmt.Sprintf("stop_bits = %q", s.StopBits), uint32(telnetStop[s.StopBits])},
	}
	var request []byte
	for _, w := range wanted {
		value := binary.BigEndian.AppendUint32(nil, w.value)
		if w.what != setBaud {
			value = value[3:]
		}
		request = append(request, asked(w.what, value)...)
	}
	for _, control := range []byte{noFlowControl, telnetDTR[s.DTR], telnetRTS[s.RTS]} {
		if control != 0 {
			request = append(request, asked(setControl, []byte{control})...) // not every server acknowledges these
		}
	}
	if err := t.socket.write(request, writePatience); err != nil {
		return err
	}
	missing := func() (names []string) {
		for _, w := range wanted {
			if t.force[w.what] != w.value {
				names = append(names, w.name)
			}
		}
		return names
	}
	err = t.until(deadline, func() bool { return missing() == nil })
	if names := missing(); err == nil && names != nil {
		err = fmt.Errorf("the serial server does not acknowledge %s; choose what its port can do", strings.Join(names, ", "))
	}
	return err
}

// until reads, dropping data, until ok or the deadline.
func (t *telnet) until(deadline time.Time, ok func() bool) error {
	var b [256]byte
	for !ok() && time.Now().Before(deadline) {
		if _, err := t.read(b[:], min(slice, time.Until(deadline))); err != nil {
			return err
		}
	}
	return nil
}

func (t *telnet) read(p []byte, wait time.Duration) (int, error) {
	for deadline := time.Now().Add(wait); ; {
		n, err := t.socket.read(p, time.Until(deadline))
		data := t.take(p[:0], p[:n]) // never longer than what came
		if len(t.reply) > 0 && err == nil {
			err = t.socket.write(t.reply, writePatience)
			t.reply = t.reply[:0]
		}
		if len(data) > 0 || err != nil || !time.Now().Before(deadline) {
			return len(data), err
		}
	}
}

func (t *telnet) write(p []byte, wait time.Duration) error { return t.socket.write(doubled(p), wait) }

// doubled is data as it travels: the byte that begins a command stands for itself when it comes twice.
func doubled(p []byte) []byte {
	return bytes.ReplaceAll(p, []byte{iac}, []byte{iac, iac})
}

// asked is a request to the server's port.
func asked(what byte, value []byte) []byte {
	return append(append([]byte{iac, sb, optPort, what}, doubled(value)...), iac, se)
}

// protocol takes a telnet stream apart, whatever comes.
type protocol struct {
	last  byte   // what the next byte belongs to: 0 for data, iac, a verb, sb, or se for an iac within sb
	sub   []byte // of what stands between sb and se
	reply []byte // to send

	agreed, refused bool        // the server's word on the COM-PORT-OPTION
	force           [256]uint32 // what is in force at the port, by the client's code
}

const longestSub = 64 // bytes kept of what stands between sb and se

// take appends the data among in to out, which may share its memory.
func (t *protocol) take(out, in []byte) []byte {
	for _, b := range in {
		switch t.last {
		case 0:
			if b == iac {
				t.last = iac
			} else {
				out = append(out, b)
			}
		case iac:
			switch b {
			case iac:
				out, t.last = append(out, b), 0
			case dont, do, wont, will, sb:
				t.last, t.sub = b, t.sub[:0]
			default: // commands without a parameter, which concern people at terminals
				t.last = 0
			}
		case sb:
			if b == iac {
				t.last = se
			} else {
				t.keep(b)
			}
		case se:
			if t.last = sb; b == iac {
				t.keep(b)
			} else {
				t.last = 0
				t.told()
			}
		default:
			t.option(t.last, b)
			t.last = 0
		}
	}
	return out
}

func (t *protocol) keep(b byte) {
	if len(t.sub) < longestSub {
		t.sub = append(t.sub, b)
	}
}

// option hears what the server does, will do or wants done. Only what is not ours to have is answered, so that no two sides can answer each other for ever.
func (t *protocol) option(verb, option byte) {
	switch wanted := option == optBinary || option == optGoAhead || option == optPort; {
	case option == optPort && verb == do:
		t.agreed = true
	case option == optPort && verb == dont:
		t.refused = true
	case !wanted && verb == do && len(t.reply) < longestSub:
		t.reply = append(t.reply, iac, wont, option)
	case !wanted && verb == will && len(t.reply) < longestSub:
		t.reply = append(t.reply, iac, dont, option)
	}
}

// told hears what is in force at the port.
func (t *protocol) told() {
	if len(t.sub) < 3 || t.sub[0] != optPort || t.sub[1] < fromServer {
		return
	}
	value := uint32(0)
	for _, b := range t.sub[2:min(len(t.sub), 6)] {
		value = value<<8 | uint32(b)
	}
	t.force[t.sub[1]-fromServer] = value
}
