package scpi

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"nightcell/drivers"
	"nightcell/drivers/line"
)

// usualRates are those of bench supplies, the most usual first (common practice, no source).
var usualRates = []int{9600, 115200, 19200, 38400, 57600, 4800, 2400, 230400, 1200}

const (
	identify    = "*IDN?"
	answerTime  = 600 * time.Millisecond  // that most supplies answer within, and slowAnswer what the rest need (common practice, no source)
	slowAnswer  = 2500 * time.Millisecond //
	answersEnd  = 120 * time.Millisecond  // so much silence ends an answer while its terminator is not known
	restBetween = 100 * time.Millisecond  // after whatever was said
	unitTime    = 250 * time.Millisecond  // that a unit of Modbus answers within (common practice, no source)
	mostUnits   = 32                      // that an RS-485 line has without a repeater
)

// attempt is one way to ask who is there.
type attempt struct {
	line.Settings
	query string
	wait  time.Duration
}

func (a attempt) form() string {
	if a.Modbus != "" && !line.Rated(a.Address) {
		return "the frames of " + strings.ToUpper(a.Modbus)
	}
	if !line.Rated(a.Address) {
		return fmt.Sprintf("%q at the end", a.Terminator)
	}
	return fmt.Sprintf("%d baud, %d data bits, parity %s", a.Baud, a.DataBits, a.Parity)
}

// attempts lists the ways in the order of how usual they are. A message that ends in carriage return and line feed is taken by those who
// want either, so that the rate is found first and the terminator then.
func (i *inquirer) attempts() (list []attempt) {
	base := i.Inquiry.Line
	base.Baud, base.DataBits, base.Parity = usualRates[0], 8, "none"
	base.Terminator, base.Silence = "\r\n", answersEnd
	rates := usualRates
	if !line.Rated(base.Address) {
		rates = rates[:1]
	}
	add := func(rates []int, wait time.Duration, query string, change func(*line.Settings)) {
		for _, rate := range rates {
			a := attempt{base, query, wait}
			if a.Baud = rate; change != nil {
				change(&a.Settings)
			}
			list = append(list, a)
		}
	}
	usual := rates[:min(3, len(rates))]
	add(rates, answerTime, identify, nil)
	add(usual, slowAnswer, identify, nil)
	add(rates, answerTime, identify, func(s *line.Settings) { s.Terminator = "\n" })
	add(usual, answerTime, strings.ToLower(identify), nil)
	add(usual, answerTime, identify, func(s *line.Settings) { s.Terminator, s.Bare = "", true })
	if len(rates) > 1 {
		for _, form := range []struct {
			bits   int
			parity string
		}{{7, "even"}, {7, "odd"}, {8, "even"}, {8, "odd"}} {
			add(rates, answerTime, identify, func(s *line.Settings) { s.DataBits, s.Parity = form.bits, form.parity })
		}
	}
	return list
}

// unitAttempts lists ways to ask a unit of Modbus for one register: the wanted one, or 1, as most are sold, at all usual rates, then all of a line
// at the three that are most usual.
func (i *inquirer) unitAttempts() (list []attempt) {
	base := i.Inquiry.Line
	ask := func(protocol, parity string, rates []int, units ...int) {
		for _, rate := range rates {
			for _, u := range units {
				a := attempt{base, "holding 0", unitTime}
				a.Modbus, a.Unit, a.Baud, a.DataBits, a.Parity = protocol, u, rate, 8, parity
				list = append(list, a)
			}
		}
	}
	wanted, units := cmp.Or(base.Unit, 1), []int{}
	for u := range mostUnits {
		units = append(units, u+1)
	}
	switch {
	case line.Rated(base.Address):
		for _, parity := range []string{"none", "even", "odd"} {
			ask("rtu", parity, usualRates, wanted)
		}
		ask("rtu", "none", []int{9600, 115200}, units...)
		ask("rtu", "even", []int{19200}, units...) // as the serial line guide V1.02, 2.5.1, wants it
	case strings.HasPrefix(base.Address, "tcp://"):
		units = append([]int{wanted, 255, 0}, units...) // a device alone at its socket may have either
		ask("tcp", "none", usualRates[:1], units...)
		ask("rtu", "none", usualRates[:1], units...)
	}
	return list
}

// findUnit looks for a unit of Modbus, by reading: whatever it says of its register 0, a refusal too, comes with its address and checksum.
func (i *inquirer) findUnit(ctx context.Context) (found bool, err error) {
	for _, a := range i.unitAttempts() {
		i.Said(fmt.Sprintf("asking Modbus unit %d with %s", a.Unit, a.form()))
		var h heard
		for range 2 { // the second answer shows that the first was none by chance
			if h, err = i.once(ctx, a, false); err != nil {
				return false, err
			}
			said := strings.HasPrefix(h.raw, "(exception ") && !strings.Contains(h.raw, "gateway")
			if found = said || h.raw != "" && h.raw[0] != '('; !found {
				break
			}
		}
		if !found {
			continue
		}
		i.Finding.Dialect, i.Finding.Line = Modbus(), i.Inquiry.Line
		i.Finding.Dialect.Protocol, i.Finding.Dialect.Unit = "modbus-"+a.Modbus, a.Unit
		i.found("dialect.unit", fmt.Sprintf("it speaks Modbus %s, unit %d", strings.ToUpper(a.Modbus), a.Unit), "%s is answered twice: %s", a.query, strings.Trim(h.raw, "()"))
		if l := &i.Finding.Line; line.Rated(l.Address) {
			l.Baud, l.DataBits, l.Parity = a.Baud, a.DataBits, a.Parity
			i.found("baud", a.form(), "the first settings at which a whole frame came; one and two stop bits look alike")
		}
		i.found("", "its register map is not standard", "take it from the supply's manual")
		return true, nil
	}
	return false, nil
}

// heard is what came back to one attempt.
type heard struct {
	raw     string // as it came
	unasked string // what came before anything was asked
	took    time.Duration
}

// once opens the line, asks, and closes it. half says that the supply may have half a message of another attempt.
func (i *inquirer) once(ctx context.Context, a attempt, half bool) (h heard, err error) {
	l, err := i.Open(ctx, a.Settings)
	if err != nil {
		return h, err
	}
	defer func() { err = errors.Join(err, l.Close()) }()
	h.unasked = string(l.Drain(restBetween))
	if half && !a.Bare {
		if err := l.Send(ctx, nil); err != nil { // an empty message ends a half-heard one
			return h, err
		}
		l.Drain(restBetween)
	}
	raw, sent, received, err := l.Exchange(ctx, []byte(a.query), nil, a.wait)
	h.raw, h.took = string(raw), received.Sub(sent)
	var incomplete *line.Incomplete
	var stray *line.Stray
	switch {
	case errors.As(err, &incomplete):
		h.raw, err = incomplete.Got, nil
	case errors.As(err, &stray):
		h.unasked, err = stray.Got, nil
	case errors.Is(err, drivers.ErrGone) && !line.Rated(a.Address):
		err = nil // a socket that is closed on what it does not understand
	}
	return h, err
}

// sound says whether bytes can be an identity: IEEE 488.2, 10.14 wants four fields of printable ASCII; a device that
// answers fewer must at least be of words.
func sound(answer string) bool {
	answer = strings.TrimRight(answer, "\r\n\x00")
	letters := 0
	for i := range len(answer) {
		switch c := answer[i]; {
		case c < ' ' || c > '~':
			return false
		case c|0x20 >= 'a' && c|0x20 <= 'z', c >= '0' && c <= '9':
			letters++
		case strings.IndexByte(" ,.-_/()+:#", c) < 0:
			letters -= 2
		}
	}
	return len(answer) >= 4 && len(answer) <= 200 && letters*2 > len(answer)
}

// findLine tries the usual settings until an identity comes, twice the same, and then which terminators are needed.
func (i *inquirer) findLine(ctx context.Context) error {
	var noise, echoed bool
	unasked := 0
	if i.Inquiry.Line.Unit > 0 { // a map of registers was stated
		if found, err := i.findUnit(ctx); found || err != nil {
			return err
		}
	}
	for n, a := range i.attempts() {
		i.Said("asking with " + a.form())
		h, err := i.once(ctx, a, n > 0)
		if err != nil {
			return err
		}
		if len(strings.Trim(h.unasked, "\r\n\x00")) > 0 {
			if unasked++; unasked == 3 {
				break
			}
		}
		answer, echo := strings.CutPrefix(h.raw, a.query)
		answer = strings.TrimLeft(answer, "\r\n")
		echoed = echoed || echo
		noise = noise || h.raw != "" && !echo
		if !sound(answer) {
			continue
		}
		for _, rest := range []time.Duration{0, time.Second, 2 * time.Second} {
			if err := drivers.Rest(ctx, rest); err != nil {
				return err
			}
			again, err := i.once(ctx, a, rest > 0)
			if err != nil {
				return err
			}
			if again.raw == h.raw {
				return i.settleLine(ctx, a, h, answer, echo)
			}
		}
		return fmt.Errorf("%q answered once on %s with %s, and then no more or something else: look for a loose plug, another program on the line, or a supply that is busy", drivers.Plain(strings.TrimSpace(answer)), i.Inquiry.Line.Address, a.form())
	}
	switch {
	case unasked > 0:
		return fmt.Errorf("the device on %s talks without being asked and never answers %s: it is not a supply that nightcell can ask; look which port the supply is on", i.Inquiry.Line.Address, identify)
	case echoed:
		return fmt.Errorf("what is sent to %s comes back and nothing answers: the cable joins both wires, or the supply's interface is off; choose the interface in its menu", i.Inquiry.Line.Address)
	}
	if found, err := i.findUnit(ctx); found || err != nil {
		return err
	}
	if noise {
		return fmt.Errorf("something answers on %s, but no identity at any usual baud rate: another kind of device such as a printer, or a rate of its own; set the supply's menu to 9600 baud, 8 data bits, no parity", i.Inquiry.Line.Address)
	}
	return fmt.Errorf("nothing answers %s on %s: see that the supply is on, that this interface is chosen in its menu, and that the cable is the right one (crossed or straight); a printer or a supply without SCPI is as silent, and no unit of Modbus from 1 to %d answers either", identify, i.Inquiry.Line.Address, mostUnits)
}

// settleLine keeps what was found of the line and finds the shortest terminator.
func (i *inquirer) settleLine(ctx context.Context, a attempt, h heard, answer string, echo bool) error {
	d := &i.Finding.Dialect
	i.lower = a.query != identify
	if d.Identify = a.query; i.lower {
		d.fold()
		i.found("dialect.identify", "it knows lower case alone", "%s was answered, %s not", a.query, identify)
	}
	if a.Bare {
		d.Terminator = NoTerminator
	}
	for _, end := range []string{"\n", "\r"} {
		if a.Terminator != "\r\n" {
			break
		}
		b := a
		b.Terminator = end
		got, err := i.once(ctx, b, false)
		if err != nil {
			return err
		}
		if got.raw == h.raw {
			d.Terminator = end
			break
		}
		if _, err := i.once(ctx, a, true); err != nil { // ends what the supply has half heard
			return err
		}
		d.Terminator = a.Terminator
	}
	end := answer[len(strings.TrimRight(answer, "\r\n")):]
	i.found("", "it is "+drivers.Plain(strings.TrimRight(answer, "\r\n\x00")), "%s is answered twice the same, after %s", a.query, inSeconds(h.took))
	i.Finding.Line = i.Inquiry.Line
	if l := &i.Finding.Line; line.Rated(l.Address) {
		l.Baud, l.DataBits, l.Parity, l.StopBits = a.Baud, a.DataBits, a.Parity, "1"
		i.found("baud", a.form(), "the first settings at which a sound answer came")
	}
	switch d.Terminator {
	case "\n":
		d.Terminator = ""
		i.found("", "a line feed ends a message", "it is enough")
	case NoTerminator:
		i.found("dialect.terminator", "nothing ends a message", "with an end it was not answered")
	default:
		i.found("dialect.terminator", fmt.Sprintf("%q ends a message", d.Terminator), "a line feed alone was not answered")
	}
	switch {
	case end == "":
		d.ReplySilence = Wait(answersEnd)
		i.found("dialect.reply_silence", "nothing ends an answer but silence", "no line end came")
	case !strings.Contains(end, "\n"):
		d.ReplyTerminator = "\r"
		i.found("dialect.reply_terminator", "a carriage return ends an answer", "no line feed came")
	}
	if d.Echo = echo; echo {
		i.found("dialect.echo", "everything sent comes back before the answer", "%s came back", a.query)
	}
	return nil
}
