package configs

import (
	"cmp"
	"encoding"
	"fmt"
	"math"
	"net"
	"reflect"
	"regexp"
	"strings"
	"time"

	"nightcell/configs/quantity"
	"nightcell/drivers"
	"nightcell/drivers/line"
	"nightcell/drivers/scpi"
	"nightcell/integrate"
)

// Supply is one instrument and the line to it.
type Supply struct {
	Name     string
	Line     line.Settings // its address, how bits travel, and the modem lines; the dialect has the rest
	Identity string        // *IDN? must begin with this; empty: the first answer is expected from then on
	// RangeVolts and RangeAmperes are what the instrument can deliver; NaN when not stated.
	RangeVolts, RangeAmperes float64
	// Accuracy is what the maker's data sheet and a check against a better meter say of the readings of one channel. Gains and offsets
	// are half-widths of an interval, as makers state them. Assumed is set when gain or offset of the current was not stated, so that the
	// uncertainty of the charge rests on a guess.
	Accuracy integrate.Settings
	Assumed  bool
	Dialect  scpi.Dialect
}

// Settings is what drivers/scpi needs to open the supply for one of its channels.
// limit is a current that cannot flow there, in A; NaN when nothing is known.
func (s *Supply) Settings(channel int, limit float64) scpi.Settings {
	known := func(v float64) float64 { // zero is what the driver takes for unknown
		if math.IsNaN(v) {
			return 0
		}
		return v
	}
	return scpi.Settings{
		Line:         s.Line,
		Dialect:      s.Dialect,
		Channel:      channel,
		RangeVolts:   drivers.Volts(known(s.RangeVolts)),
		RangeAmperes: drivers.Amperes(known(s.RangeAmperes)),
		LimitAmperes: drivers.Amperes(known(limit)),
	}
}

// FirstContact is how long opening the supply and asking it everything may take: as many answers as that asks for, each as
// slow as its dialect allows. The driver gives a silent supply up much sooner.
func (s *Supply) FirstContact() time.Duration {
	const answers, characters = 20, 64 // of one exchange
	d := s.Settings(1, math.NaN())
	return time.Duration(d.Dialect.OpenPause) + answers*(time.Duration(d.Dialect.Timeout+d.Dialect.Pause+d.Dialect.ReplySilence)+d.Line.Duration(characters))
}

func readSupply(n named, data string) Supply {
	t := n.table
	t.checkName(n.name)
	s := readLine(n, data)
	s.RangeVolts = t.measure("range_voltage", quantity.Voltage, positive, math.NaN())
	s.RangeAmperes = t.measure("range_current", quantity.Current, positive, math.NaN())
	s.readAccuracy(t.orEmpty("accuracy"))
	s.Dialect = readDialect(t.orEmpty("dialect"))
	t.done()
	return s
}

// readLine reads how an instrument is reached, and as what it must answer.
func readLine(n named, data string) Supply {
	t := n.table
	s := Supply{
		Name: n.name,
		Line: line.Settings{
			Address:  t.required("port", "/dev/serial/by-id/…"),
			Baud:     t.whole("baud", 9600, 50, 4_000_000),
			DataBits: t.whole("data_bits", 8, 5, 8),
			Parity:   t.choice("parity", "none", "none", "even", "odd", "mark", "space"),
			StopBits: t.choice("stop_bits", "1", "1", "1.5", "2"),
			DTR:      t.choice("dtr", "", "on", "off"),
			RTS:      t.choice("rts", "", "on", "off"),
			DataDir:  data,
		},
		Identity:   t.text("identity", ""),
		RangeVolts: math.NaN(), RangeAmperes: math.NaN(),
	}
	t.checkPort(s.Line.Address)
	for _, key := range []string{"dtr", "rts"} {
		if t.has(key) && strings.HasPrefix(s.Line.Address, "tcp://") {
			t.bad(key, "a raw socket has no modem lines", "leave it out, or write rfc2217:// for the port of a network serial server")
		}
	}
	return s
}

// checkPort refuses an address that cannot be a device or a socket. Whether it is there is asked when it is opened.
func (t *table) checkPort(port string) {
	scheme, address, networked := strings.Cut(port, "://")
	switch {
	case !networked:
	case scheme != "tcp" && scheme != "rfc2217":
		t.bad("port", fmt.Sprintf("'%s' is a kind of line that is not known", port), "write a device such as /dev/serial/by-id/…, tcp://host:port, or rfc2217://host:port")
	default:
		if host, number, err := net.SplitHostPort(address); err != nil || host == "" || number == "" {
			t.bad("port", fmt.Sprintf("'%s' names no host and port", port), fmt.Sprintf("write it as in port = \"%s://192.0.2.7:5025\"", scheme))
		}
	}
}

// checkName allows names that are safe as a folder, a label and a topic on every system.
func (t *table) checkName(name string) {
	if !Nameable(name) {
		t.bad("", fmt.Sprintf("'%s' cannot be a name", name), nameRule)
	}
}

const nameRule = "up to 63 letters a-z, digits, - and _ are allowed, the first a letter or digit, because it names folders and labels"

// Nameable says whether something may be called so.
func Nameable(name string) bool { return nameable.MatchString(name) }

var nameable = regexp.MustCompile(`^[a-zA-Z0-9][a-zA-Z0-9_-]{0,62}$`)

// assumedGain and the other figures here are the accuracy of a supply whose data sheet is not quoted: what bench supplies
// commonly state or worse. Common practice, no source.
const assumedGain = 0.005

func (s *Supply) readAccuracy(t *table) {
	zero, correction := t.figure("current_zero", anyValue, quantity.Current), t.figure("current_correction", positive, quantity.Number)
	s.Accuracy = integrate.Settings{
		GainRelative:          t.measure("current_gain", quantity.Fraction, upToAll, assumedGain),
		OffsetAmperes:         t.measure("current_offset", quantity.Current, notNegative, 0.010),
		ResolutionAmperes:     t.measure("current_resolution", quantity.Current, notNegative, 0.001),
		VoltGainRelative:      t.measure("voltage_gain", quantity.Fraction, upToAll, assumedGain),
		VoltOffset:            t.measure("voltage_offset", quantity.Voltage, notNegative, 0.020),
		VoltResolution:        t.measure("voltage_resolution", quantity.Voltage, notNegative, 0.010),
		TimebaseRelative:      t.measure("timebase", quantity.Fraction, upToAll, 100e-6),
		ZeroAmperes:           zero.Value,
		ZeroUncertainty:       zero.StandardUncertainty,
		CorrectionFactor:      cmp.Or(correction.Value, 1),
		CorrectionUncertainty: correction.StandardUncertainty,
	}
	s.Assumed = !t.has("current_gain") || !t.has("current_offset")
	t.done()
}

// readDialect lays what is written over the standard dialect. The keys are the
// tags of scpi.Dialect, so that a new field there needs nothing here.
func readDialect(t *table) scpi.Dialect {
	d := scpi.Standard()
	if p := t.text("protocol", ""); p == scpi.ModbusRTU || p == scpi.ModbusTCP {
		d = scpi.Modbus()
	}
	v := reflect.ValueOf(&d).Elem()
	for i := range v.NumField() {
		key := v.Type().Field(i).Tag.Get("toml")
		p, ok := t.find(key)
		if !ok {
			continue
		}
		field := v.Field(i)
		before := reflect.ValueOf(field.Interface())
		if err := t.doc.meta.PrimitiveDecode(p, field.Addr().Interface()); err != nil {
			field.Set(before)
			t.bad(key, "it cannot be read", "write "+wanted(field, before))
		}
	}
	if err := d.Check(); err != nil {
		for _, complaint := range strings.Split(err.Error(), "\n") {
			key, wrong, _ := strings.Cut(complaint, ": ")
			if t.doc.blamed(t.key(key)) {
				continue
			}
			wrong, remedy, _ := strings.Cut(wrong, "; ")
			t.bad(key, wrong, remedy)
		}
	}
	t.done()
	return d
}

// wanted says of what kind a field of the dialect is, with its standard value.
func wanted(field, standard reflect.Value) string {
	if text, ok := standard.Interface().(encoding.TextMarshaler); ok {
		if b, err := text.MarshalText(); err == nil && !standard.IsZero() {
			return fmt.Sprintf("a time such as %q", b)
		}
		return `a time such as "20 ms"`
	}
	switch field.Kind() {
	case reflect.String:
		if standard.IsZero() {
			return "text in quotation marks"
		}
		return fmt.Sprintf("text in quotation marks such as %q", standard)
	case reflect.Bool:
		return "true or false"
	}
	return fmt.Sprintf("a whole number such as %v", standard)
}
