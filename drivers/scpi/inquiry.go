package scpi

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"nightcell/configs/quantity"
	"nightcell/drivers"
	"nightcell/drivers/line"
)

// Inquiry finds out how a supply is to be spoken to, by queries alone: nothing is set, though reading the error queue empties it.
type Inquiry struct {
	Line line.Settings // address, record and folders; the rest is found
	Open func(context.Context, line.Settings) (*line.Line, error)
	Said func(string) // is told what is being tried; may be nil
}

// Conclusion is one thing found, and why it is so.
type Conclusion struct {
	Key   string // of the supply's table in a configuration, or empty
	Found string
	Why   string
}

// Meter is what its answers show of a meter, in V or A.
type Meter struct {
	Last    float64
	Step    float64 // the resolution
	Scatter float64 // standard deviation of the readings taken; NaN if too few
	Set     float64 // set-point; NaN when it is not told, like the next
	Most    float64 // highest set-point
}

// Finding is what an Inquiry has found.
type Finding struct {
	Line           line.Settings
	Dialect        Dialect
	Identity       drivers.Identity
	Volts, Amperes Meter
	Channels       int           // 0: the supply does not tell
	Scale          bool          // whether currents are in A or mA is not known
	Took           time.Duration // of one reading of both
	Output         drivers.Output
	Mode           drivers.Mode
	Conclusions    []Conclusion // in the order of finding
}

// inquirer is an Inquiry on its way. It asks as any supply's driver does.
type inquirer struct {
	Inquiry
	*Supply
	Finding
	lower  bool          // the supply knows lower case alone
	unit   string        // behind the newest number
	header string        // before it
	digits string        // the number as it was written
	newest string        // the newest answer
	whole  bool          // no current had a point
	slow   time.Duration // longest answer
}

// Inquire finds out how the supply on a line speaks. The error says what to do about it.
func Inquire(ctx context.Context, q Inquiry) (*Finding, error) {
	if q.Open == nil {
		q.Open = line.Open
	}
	if q.Said == nil {
		q.Said = func(string) {}
	}
	i := &inquirer{Inquiry: q}
	i.Finding.Dialect = Standard()
	if err := i.findLine(ctx); err != nil {
		return nil, err
	}
	d := &i.Finding.Dialect
	if d.Protocol != "" {
		return &i.Finding, nil // what its registers hold only its manual tells
	}
	d.Pause, d.Timeout = Wait(politeRest), Wait(2*time.Second)
	settings := Settings{Line: i.Finding.Line, Dialect: *d}.withDefaults()
	l, err := i.Open(ctx, settings.Line)
	if err != nil {
		return nil, err
	}
	in, err := meet(ctx, l, settings)
	if err != nil {
		return nil, errors.Join(err, l.Close())
	}
	i.Finding.Identity = in.identity
	i.Supply = newSupply(settings, &shared{in: in, users: 1, settings: settings}, drivers.NewClock(1))
	err = i.ask(ctx)
	return &i.Finding, errors.Join(err, i.Supply.Close())
}

func inSeconds(d time.Duration) string { return quantity.Round(quantity.Time, d.Seconds(), 2) }

func (i *inquirer) found(key, found, why string, args ...any) {
	i.Conclusions = append(i.Conclusions, Conclusion{key, found, fmt.Sprintf(why, args...)})
	i.Said(found)
}

// ask asks everything once the line is known.
func (i *inquirer) ask(ctx context.Context) error {
	for _, step := range []func(context.Context) error{i.findPause, i.findQueue, i.findMeters, i.findRest, i.findChannels, i.takeReadings} {
		if err := step(ctx); err != nil {
			return err
		}
	}
	i.judgeMode()
	i.settle()
	return nil
}

// known asks the first of some queries that the supply answers in a form that parse reads; "" if none is answered.
func (i *inquirer) known(ctx context.Context, parse parser, texts ...string) (query string, x float64, err error) {
	for _, text := range texts {
		if i.lower {
			text = strings.ToLower(text)
		}
		q := i.query(text, func(b []byte, unit string) (float64, drivers.Reason) {
			i.newest = string(b)
			return parse(b, unit)
		}, "")
		before := time.Now()
		x, ok, err := i.optional(ctx, q)
		if err != nil {
			return "", 0, err
		}
		if ok {
			i.slow = max(i.slow, time.Since(before)-time.Duration(i.instrument.dialect.Pause))
		}
		if ok || q.worked { // an infinite level is an answer too
			return text, x, nil
		}
	}
	return "", math.NaN(), nil
}

// figure reads a number in any dress, and keeps what it wore.
func (i *inquirer) figure(b []byte, _ string) (float64, drivers.Reason) {
	b = bytes.TrimSpace(b)
	i.header = ""
	if len(b) > 0 && strings.IndexByte("+-.0123456789", b[0]) < 0 {
		head, rest, ok := bytes.Cut(b, []byte(" "))
		if !ok {
			return 0, unlike(b)
		}
		i.header, b = string(head), bytes.TrimSpace(rest)
	}
	end := len(b)
	for end > 0 && !isNumeric(b[:end]) {
		end--
	}
	unit := strings.TrimSpace(string(b[end:]))
	if end == 0 || len(unit) > 3 || strings.Trim(strings.ToLower(unit), "abcdefghijklmnopqrstuvwxyz") != "" {
		return 0, unlike(b)
	}
	i.unit, i.digits = unit, string(b[:end])
	return parseNumber(b[:end], "")
}

const politeRest = 150 * time.Millisecond

// findPause finds the shortest rest after an answer that no query is lost for.
func (i *inquirer) findPause(ctx context.Context) error {
	in, d := i.instrument, &i.Finding.Dialect
	for _, rest := range []time.Duration{0, 20 * time.Millisecond, 50 * time.Millisecond, 100 * time.Millisecond, 200 * time.Millisecond, 500 * time.Millisecond, time.Second} {
		in.dialect.Pause = Wait(rest)
		const times = 4
		n := 0
		for ; n < times; n++ {
			answer, _, _, err := in.ask(ctx, in.anchor, in.probeTimeout())
			if err != nil && !i.note(err) {
				return err
			}
			if err != nil || !bytes.Equal(answer, in.known) {
				break
			}
		}
		if n == times {
			d.Pause = Wait(rest + rest/2)
			in.dialect.Pause = d.Pause
			if rest == 0 {
				i.found("", "no rest is needed between queries", "%d queries in a row were answered", times)
			} else {
				i.found("dialect.pause", inSeconds(time.Duration(d.Pause))+" of rest after each answer", "with less, queries were lost; half as much again as was needed")
			}
			return nil
		}
		in.dialect.Pause = Wait(max(politeRest, 2*rest))
		in.unsure = true
		if err := in.ready(ctx); err != nil {
			return err
		}
	}
	return errors.New("the supply loses queries even with a second of rest between them; check cable and interface for a bad contact")
}

// findQueue finds the error queue, which makes it sure and quick that other queries are not known.
func (i *inquirer) findQueue(ctx context.Context) error {
	d := &i.Finding.Dialect
	for _, text := range []string{"SYST:ERR?", "SYSTEM:ERROR?"} {
		if i.lower {
			text = strings.ToLower(text)
		}
		i.queue = i.query(text, i.queued, "")
		if err := i.emptyQueue(ctx); err != nil {
			return err
		}
		if i.queue.worked {
			d.Errors = text
			i.found("", "errors are queried by "+text, "it answered as SCPI-1999 says, volume 2, 21.8")
			i.pending = nil // what the search for the line left there
			return nil
		}
	}
	d.Errors, i.queue = "", nil
	i.found("dialect.errors", "there is no error queue", "neither SYST:ERR? nor its long form is answered")
	return nil
}

// findMeters finds how volts and amperes are asked, alone and together, and what units they have.
func (i *inquirer) findMeters(ctx context.Context) error {
	d := &i.Finding.Dialect
	for _, m := range []struct {
		name, short, long string
		query, unit       *string
		milli             *bool
		meter             *Meter
	}{
		{"volts", "VOLT?", "VOLTAGE?", &d.MeasureVolts, &d.VoltsUnit, &d.Millivolts, &i.Volts},
		{"amperes", "CURR?", "CURRENT?", &d.MeasureAmperes, &d.AmperesUnit, &d.Milliamperes, &i.Amperes},
	} {
		text, x, err := i.known(ctx, i.figure, "MEAS:"+m.short, "MEASURE:"+m.long, "MEAS:"+m.short[:4]+":DC?", "FETC:"+m.short, "FETCH:"+m.long, "READ:"+m.short)
		if err != nil {
			return err
		}
		if text == "" {
			return fmt.Errorf("%s is there, but answers no query for %s that SCPI-1999 has (MEAS:%s, FETC:%[3]s, READ:%[3]s); take its queries from its manual, as in configs/odd-dialect.toml", i.Finding.Identity, m.name, m.short)
		}
		*m.query, m.meter.Last = text, x
		i.found("dialect.measure_"+m.name, m.name+" by "+text, "it answers %q", i.header+i.digits+i.unit)
		d.Headers = d.Headers || i.header != ""
		if *m.unit = i.unit; i.unit != "" {
			*m.milli = strings.EqualFold(i.unit[:1], "m")
			i.found("dialect."+m.name+"_unit", fmt.Sprintf("%q follows %s", i.unit, m.name), "as in %s", i.digits+i.unit)
		}
	}
	if i.instrument.dialect.Headers = d.Headers; d.Headers {
		i.found("dialect.headers", "a header precedes each value", "as in %s %s", i.header, i.digits)
	}
	i.whole = !strings.Contains(i.digits, ".")
	for _, between := range []string{";:", ";"} {
		both := d.MeasureVolts + between + d.MeasureAmperes
		text, _, err := i.known(ctx, func(b []byte, _ string) (float64, drivers.Reason) {
			for _, s := range []string{";", ","} {
				if fields := bytes.Split(b, []byte(s)); len(fields) == 2 {
					d.BothSeparator = s
					v, why := i.figure(fields[0], "")
					a, other := i.figure(fields[1], "")
					why = cmp.Or(why, other)
					// Both have moved a little since they were asked alone.
					off := func(v, a float64) float64 { return math.Abs(v-i.Volts.Last) + math.Abs(a-i.Amperes.Last) }
					d.BothAmperesFirst = off(a, v) < off(v, a)
					if min(off(v, a), off(a, v)) > 0.2*off(0, 0)+0.5 {
						why = drivers.Unasked
					}
					return v, why
				}
			}
			return 0, unlike(b)
		}, both)
		if err != nil {
			return err
		}
		if d.MeasureBoth = text; text != "" {
			i.found("dialect.measure_both", "both fit one message", "%s is answered in one line", text)
			if d.BothAmperesFirst {
				i.found("dialect.both_amperes_first", "amperes come first", "their values say so")
			}
			if d.BothSeparator != ";" {
				i.found("dialect.both_separator", fmt.Sprintf("%q separates them", d.BothSeparator), "as answered")
			}
			return nil
		}
	}
	d.BothSeparator, d.BothAmperesFirst = ";", false
	i.found("dialect.measure_both", "one query a message", "two in one message were not both answered in one line")
	return nil
}

// findRest finds set-points, protection, output and regulation, and what can be set at most.
func (i *inquirer) findRest(ctx context.Context) error {
	d, read := &i.Finding.Dialect, &i.instrument.dialect
	var output, mode, none float64
	for _, r := range []struct {
		key, what string
		query     *string // of the dialect; nil: it has none for it
		parse     parser
		value     *float64
		texts     string
	}{
		{"set_volts", "voltage set-point", &d.SetVolts, i.figure, &i.Volts.Set, "VOLT? SOUR:VOLT? VOLTAGE?"},
		{"set_amperes", "current set-point", &d.SetAmperes, i.figure, &i.Amperes.Set, "CURR? SOUR:CURR? CURRENT?"},
		{"limit_volts", "over-voltage level", &d.LimitVolts, i.figure, &none, "VOLT:PROT? VOLT:PROT:LEV? VOLTAGE:PROTECTION?"},
		{"limit_amperes", "over-current level", &d.LimitAmperes, i.figure, &none, "CURR:PROT? CURR:PROT:LEV? CURRENT:PROTECTION?"},
		{"", "highest voltage", nil, i.figure, &i.Volts.Most, "VOLT?_MAX VOLTAGE?_MAX"},
		{"", "highest current", nil, i.figure, &i.Amperes.Most, "CURR?_MAX CURRENT?_MAX"},
		{"output", "output state", &d.Output, read.flag, &output, "OUTP? OUTP:STAT? OUTPUT?"},
		{"trip_volts", "over-voltage trip", &d.TripVolts, read.flag, &none, "VOLT:PROT:TRIP? VOLTAGE:PROTECTION:TRIPPED?"},
		{"trip_amperes", "over-current trip", &d.TripAmperes, read.flag, &none, "CURR:PROT:TRIP? CURRENT:PROTECTION:TRIPPED?"},
		{"mode", "regulation mode", &d.Mode, read.register, &mode, "STAT:QUES:COND? STATUS:QUESTIONABLE:CONDITION?"},
	} {
		texts := strings.Fields(r.texts)
		for k := range texts {
			texts[k] = strings.ReplaceAll(texts[k], "_", " ")
		}
		text, x, err := i.known(ctx, r.parse, texts...)
		if err != nil {
			return err
		}
		if *r.value = x; r.query != nil {
			*r.query = text
		}
		switch {
		case text != "":
			i.found("", "the "+r.what+" by "+text, "it answers %s", strings.TrimSpace(i.newest))
			i.whole = i.whole && !(strings.Contains(r.what, "current ") && strings.Contains(i.newest, "."))
		case r.key != "":
			i.found("dialect."+r.key, "the "+r.what+" is not reported", "no answer to %s", strings.Join(texts, ", "))
		}
	}
	if d.Trips = d.Mode; d.Mode == "" {
		i.found("dialect.trips", "over-temperature is not reported", "it is in the same register as the mode")
	} else {
		i.Mode = d.modeOf(uint16(mode))
	}
	if d.Output != "" {
		i.Output = drivers.OutputOff + drivers.Output(output)
	}
	for _, m := range []*Meter{&i.Volts, &i.Amperes} {
		if m.Most < math.Max(m.Set, m.Last) || m.Most == 0 { // no supply delivers more
			m.Most = math.NaN()
		}
	}
	return nil
}

// fold writes what the supply is sent in lower case if it knows nothing else.
func (d *Dialect) fold() {
	for _, t := range []*string{&d.Identify, &d.Off, &d.SetCurrent, &d.Select, &d.Selected} {
		*t = strings.ToLower(*t)
	}
}
