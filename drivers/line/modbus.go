package line

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"nightcell/drivers/modbus"
)

// registers is a port that is written messages naming registers, and read lines of text; on the port below, both are frames of Modbus.
type registers struct {
	port
	framing     modbus.Framing
	asked       [256]bool     // units that were asked on the line
	between     time.Duration // silence between two frames
	last        time.Time     // when something travelled last
	known       map[string]*modbus.Message
	open        *modbus.Message // whose answer is owed; nil: none
	transaction uint16
	in          []byte // what came of an answer that is not whole
	buf         [300]byte
}

// longestGarbage is kept of bytes that make no frame.
const longestGarbage = 1024

// spoken makes a port of frames out of p where the settings say so. A recording has what p carries.
func spoken(s Settings, p port) port {
	if s.Record != nil {
		p = recorded{p, s.Record.Open(s.Address, s.form())}
	}
	if s.Modbus == "" {
		return p
	}
	r := &registers{port: p, framing: modbus.Framing{TCP: s.Modbus == "tcp", Unit: byte(s.Unit)}, known: map[string]*modbus.Message{}}
	if !r.framing.TCP {
		// 3.5 characters, at the faster rates a fixed time (serial line guide V1.02, 2.5.1.1).
		r.between = max(1750*time.Microsecond, s.Duration(7)/2)
	}
	return r
}

// address makes a unit the one that is asked next.
func (r *registers) address(unit byte) { r.framing.Unit, r.asked[unit] = unit, true }

func (r *registers) read(p []byte, wait time.Duration) (int, error) {
	for deadline := time.Now().Add(wait); ; {
		if n, err := r.answer(p); n > 0 || err != nil {
			return n, err
		}
		n, err := r.port.read(r.buf[:], time.Until(deadline))
		if err != nil {
			return 0, err
		}
		if n > 0 {
			r.last = time.Now()
			r.in = append(r.in, r.buf[:n]...)
			continue
		}
		if !time.Now().Before(deadline) {
			return 0, nil
		}
	}
}

// next passes over late answers, to earlier questions and of other units that are asked on the line, and splits what follows them.
func (r *registers) next() (pdu []byte, n int, err error) {
	for {
		pdu, n, err = r.framing.Split(r.in, r.transaction)
		if of, other := err.(modbus.OtherUnit); n == 0 || !errors.Is(err, modbus.ErrOther) && !(other && r.asked[of]) {
			return pdu, n, err
		}
		r.in = append(r.in[:0], r.in[n:]...)
	}
}

// answer puts the answer that is owed into p as a line, if it has come, or shows what came in its place.
func (r *registers) answer(p []byte) (int, error) {
	pdu, n, err := r.next()
	switch {
	case len(r.in) == 0:
		return 0, nil
	case r.open == nil:
		return copy(p, r.rest()), nil
	case err == nil && n == 0 && len(r.in) < longestGarbage:
		return 0, nil
	case err == nil && n == 0:
		err = errors.New("bytes without end")
	}
	text := ""
	if err == nil {
		text, err = r.open.Answer(pdu)
	}
	r.open = nil
	if err != nil {
		r.in = r.in[:0]
		return 0, &Incomplete{Got: "(" + err.Error() + ")"}
	}
	r.in = append(r.in[:0], r.in[n:]...)
	_, _, _ = r.next() // passes over late ones behind it; the rest is shown as it came
	return copy(p, text+"\n"+r.rest()), nil
}

// rest shows and forgets what came that no frame explains.
func (r *registers) rest() string {
	b := r.in[:min(len(r.in), 32)]
	r.in = r.in[:0]
	return fmt.Sprintf("% X", b)
}

// write sends the request that a message stands for. What is to be written must be acknowledged within wait.
func (r *registers) write(p []byte, wait time.Duration) error {
	text := strings.TrimSpace(string(p))
	if text == "" {
		return nil // what would end a half-heard message has no meaning here
	}
	m := r.known[text]
	if m == nil {
		parsed, err := modbus.Parse(text)
		if err != nil {
			return &Incomplete{Got: "(" + err.Error() + ")"}
		}
		if m = &parsed; !m.Writes() {
			r.known[text] = m
		}
	}
	time.Sleep(r.between - time.Since(r.last))
	r.open, r.in = m, r.in[:0]
	r.transaction++
	err := r.port.write(r.framing.Frame(nil, m, r.transaction), wait)
	r.last = time.Now()
	if err != nil || !m.Writes() {
		return err
	}
	var end [1]byte // of the empty line that an acknowledgement is
	switch n, err := r.read(end[:], wait); {
	case err != nil:
		return err
	case n == 0:
		r.open = nil
		return &Incomplete{}
	}
	return nil
}
