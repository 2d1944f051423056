package scpi

import (
	"context"
	"fmt"
	"math"
	"strings"
	"time"

	"gonum.org/v1/gonum/stat"

	"nightcell/drivers"
)

// findChannels finds how many channels there are and in which form they are addressed.
func (i *inquirer) findChannels(ctx context.Context) error {
	d := &i.Finding.Dialect
	answered := func(text string) (bool, float64, error) {
		got, x, err := i.known(ctx, i.figure, text)
		return got != "", x, err
	}
	const far = 61 // a channel that no supply has
	count := func(form string) (n int, err error) {
		if ok, _, err := answered(fmt.Sprintf(form, far)); ok || err != nil {
			return 0, err // whoever answers for that channel ignores the number
		}
		for ; n < 8; n++ {
			if ok, _, err := answered(fmt.Sprintf(form, n+1)); !ok || err != nil {
				return n, err
			}
		}
		return n, nil
	}
	list, err := count(d.MeasureVolts + " (@%d)")
	if err != nil {
		return err
	}
	if list > 0 {
		if i.Channels = list; list > 1 {
			d.Addressing = AddressList
		}
		i.found("dialect.addressing", fmt.Sprintf("channels: %d, by a list", list), "%s (@%d) is answered, (@%d) is not", d.MeasureVolts, list, list+1)
		return nil
	}
	if n, err := count(strings.ReplaceAll(inHeader(d.MeasureVolts), channelMark, "%d")); err != nil {
		return err
	} else if n > 1 {
		i.Channels = n
		i.found("", fmt.Sprintf("channels: %d, by a number in the header", n), "%s is answered for %d, not for %d", inHeader(d.MeasureVolts), n, n+1)
		return i.numberHeaders(ctx)
	}
	selected, now, err := i.known(ctx, i.figure, "INST:NSEL?")
	if err != nil {
		return err
	}
	if selected != "" {
		_, most, err := i.known(ctx, i.figure, "INST:NSEL? MAX")
		if err != nil {
			return err
		}
		if most > now || now > 1 {
			d.Selected, d.Addressing, i.Channels = selected, AddressSelect, int(max(most, now))
			i.found("dialect.addressing", fmt.Sprintf("channels: %d, by selection", i.Channels), "%s answers %g, and channel lists are not known", selected, now)
			return nil
		}
	}
	i.found("", "commands are for one channel", "neither a channel list nor INST:NSEL? names more")
	return nil
}

// inHeader puts the mark of a channel behind the first word of a message, or a numbered SOUR before what belongs to the source.
func inHeader(text string) string {
	end := strings.IndexAny(text, ":? ")
	switch {
	case text == "" || strings.HasPrefix(text, "*"):
		return text
	case text[0]|0x20 == 'v' || text[0]|0x20 == 'c':
		return "SOUR" + channelMark + ":" + text
	case end < 0:
		return text + channelMark
	}
	return text[:end] + channelMark + text[end:]
}

// numberHeaders writes the channel into every message that concerns one, and asks those that are queries again for channel 1.
func (i *inquirer) numberHeaders(ctx context.Context) error {
	d := &i.Finding.Dialect
	whatever := func([]byte, string) (float64, drivers.Reason) { return 0, "" }
	for _, text := range []*string{&d.MeasureVolts, &d.MeasureAmperes, &d.Output, &d.SetVolts, &d.SetAmperes, &d.LimitVolts, &d.LimitAmperes, &d.TripVolts, &d.TripAmperes} {
		if *text = inHeader(*text); *text == "" {
			continue
		}
		if i.lower {
			*text = strings.ToLower(*text)
		}
		if got, _, err := i.known(ctx, whatever, strings.ReplaceAll(*text, channelMark, "1")); err != nil {
			return err
		} else if got == "" {
			*text = ""
		}
	}
	if d.MeasureBoth != "" {
		d.MeasureBoth = d.MeasureVolts + ";:" + d.MeasureAmperes
	}
	d.Off, d.SetCurrent = inHeader(d.Off), inHeader(d.SetCurrent)
	return nil
}

// takeReadings takes some readings as the watch will, for time, step and scatter.
func (i *inquirer) takeReadings(ctx context.Context) error {
	const times = 8
	d := &i.Finding.Dialect
	first := func(text string) string { return strings.ReplaceAll(text, channelMark, "1") }
	queries := []string{first(d.MeasureVolts), first(d.MeasureAmperes)}
	var seen [2][]float64
	step := [2]float64{math.Inf(1), math.Inf(1)}
	for range times {
		begun := time.Now()
		for k, text := range queries {
			_, x, err := i.known(ctx, i.figure, text)
			if err != nil {
				return err
			}
			seen[k] = append(seen[k], x)
			step[k] = min(step[k], stepOf(i.digits))
		}
		i.Took = time.Since(begun)
	}
	for k, m := range []*Meter{&i.Volts, &i.Amperes} {
		m.Last, m.Step, m.Scatter = seen[k][times-1], step[k], stat.StdDev(seen[k], nil)
	}
	if d.MeasureBoth != "" {
		begun := time.Now()
		if _, _, _, err := i.instrument.ask(ctx, []byte(first(d.MeasureBoth)), i.timeout()); err != nil && !i.note(err) {
			return err
		}
		i.Took = time.Since(begun)
	}
	i.found("", "a reading takes "+inSeconds(i.Took), "measured, with the rest it needs")
	return nil
}

// stepOf is the value of the last digit that is not a zero at the end, at least of the last digit before the point that is written.
func stepOf(digits string) float64 {
	mantissa, exponent := digits, 0
	if at := strings.IndexAny(digits, "eE"); at >= 0 {
		mantissa = digits[:at]
		_, _ = fmt.Sscanf(digits[at+1:], "%d", &exponent) // isNumeric has read it
	}
	_, decimals, _ := strings.Cut(mantissa, ".")
	kept := strings.TrimRight(decimals, "0")
	if strings.Trim(mantissa, "+-0.") == "" { // zero tells the digits alone
		kept = decimals
	}
	return math.Pow10(exponent - len(kept))
}

// judgeMode holds the mode that the register tells against set-points and readings.
func (i *inquirer) judgeMode() {
	d := &i.Finding.Dialect
	if d.Mode == "" {
		return
	}
	near := func(m Meter) bool { return math.Abs(m.Last-m.Set) <= 0.03*math.Abs(m.Set)+3*m.Step }
	switch atVolts, atAmperes := near(i.Volts), near(i.Amperes); {
	case i.Output != drivers.OutputOn:
		i.found("", "whether the register shows the mode is not known", "the output is not on; SCPI-1999 is believed")
	case i.Mode == drivers.ModeUnknown:
		i.found("", "the register shows no mode now", "neither bit 0 nor bit 1 is set, though the output is on")
	case i.Mode == drivers.ConstantCurrent && atAmperes, i.Mode == drivers.ConstantVoltage && atVolts:
		i.found("", "the register shows the mode: "+i.Mode.String(), "the reading is at that set-point")
	default:
		i.found("dialect.mode", "the register does not show the mode", "it says %s, and the readings are not at that set-point", i.Mode)
		d.Mode, i.Mode = "", drivers.ModeUnknown
	}
}

// settle turns what was measured into the rest of the dialect and into V and A.
func (i *inquirer) settle() {
	d := &i.Finding.Dialect
	if d.Timeout = Standard().Timeout; 5*i.slow > time.Duration(d.Timeout) {
		d.Timeout = Wait((5*i.slow + time.Second/2).Round(time.Second / 2))
		i.found("dialect.timeout", inSeconds(time.Duration(d.Timeout))+" for an answer", "the slowest took %s", inSeconds(i.slow))
	}
	d.CurrentDecimals = min(max(int(math.Round(-math.Log10(i.Amperes.Step))), 0), d.CurrentDecimals)
	if d.Millivolts {
		i.found("dialect.millivolts", "voltages are in millivolts", "their unit says so")
		i.Volts.divide()
	}
	const most = 1000 // A; no bench supply delivers it
	switch a := i.Amperes; {
	case d.Milliamperes:
		i.found("dialect.milliamperes", "currents are in milliamperes", "their unit says so")
		i.InMilliamperes()
	case d.AmperesUnit != "":
	case math.Abs(a.Last) >= most || a.Set >= most || a.Most >= most:
		i.found("dialect.milliamperes", "currents are in milliamperes", "no bench supply delivers so many amperes")
		i.InMilliamperes()
	default:
		i.Scale = i.whole
	}
	if d.Output == "" {
		d.Off = ""
		i.found("dialect.off", "nightcell has no command to switch off", "OUTP? is not known, so nor may OUTP OFF be; commands are not tried")
	}
	if d.SetAmperes == "" {
		d.SetCurrent = ""
		i.found("dialect.set_current", "nightcell has no command to lower the current", "CURR? is not known; commands are not tried")
	}
}

// InMilliamperes takes every current for one in mA, and no longer for one in A.
func (f *Finding) InMilliamperes() {
	f.Dialect.Milliamperes, f.Scale = true, false
	f.Amperes.divide()
}

// divide turns thousandths into units.
func (m *Meter) divide() {
	for _, x := range []*float64{&m.Last, &m.Step, &m.Scatter, &m.Set, &m.Most} {
		*x /= 1000
	}
}
