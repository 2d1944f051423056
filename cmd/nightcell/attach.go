package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"nightcell/configs"
	"nightcell/configs/quantity"
	"nightcell/drivers"
	"nightcell/drivers/line"
	"nightcell/drivers/scpi"
)

// attach finds out how a supply speaks and writes its configuration.
type attach struct {
	firstNight // whose questions it asks, and whose document it fills

	port, plan, cellName, record, rehearse, config string
	yes                                            bool

	is   *scpi.Finding
	own  map[string]bool // keys of the document that were found, and not stated by a person
	left []string        // what stays open
	rack scpi.Rack       // keeps the recording
	why  string          // of the port's name, if it is another than was given
}

func newAttachCommand(s *shell) *cobra.Command {
	a := attach{firstNight: firstNight{shell: s}}
	cmd := newCommand("attach", func(cmd *cobra.Command, args []string) error {
		a.port = strings.Join(args, "")
		if a.rehearse != "" {
			return a.hold(cmd.Context())
		}
		return a.run(cmd.Context())
	})
	flags := cmd.Flags()
	flags.StringVar(&a.file, "write", configName, "new configuration `file` to write")
	flags.StringVar(&a.plan, "plan", "", "take the cell from this configuration `file`")
	flags.StringVar(&a.cellName, "cell", "", "`name` of the cell in it, if it has several")
	flags.BoolVar(&a.yes, "yes", false, "ask nothing; what is not known is left out and named")
	recordFlag(flags, &a.record)
	flags.StringVar(&a.rehearse, "rehearse", "", "hold a configuration against this recording `file`")
	flags.StringVar(&a.config, "config", "", "configuration `file` for --rehearse")
	return cmd
}

func (a *attach) run(ctx context.Context) (err error) {
	if a.port == "" {
		return usagef("the port is missing; nightcell ports lists the serial ports; usage: nightcell attach PORT")
	}
	if err := checkExtension("write", a.file, ".toml"); err != nil {
		return err
	}
	if _, err := os.Lstat(a.file); err == nil {
		return usagef("--write %s: the file exists; choose another name, or move it away", a.file)
	}
	if err := a.begin(); err != nil {
		return err
	}
	if a.rack.Record, err = beginRecord(a.shell, a.record); err != nil {
		return err
	}
	defer endRecord(a.rack.Record, &err)
	if a.port, a.why = stableName(a.port); !strings.Contains(a.port, "://") {
		giveBack := line.Keep(a.port)
		defer func() { err = errors.Join(err, giveBack()) }()
	}
	if err := a.inquire(ctx); err != nil {
		return err
	}
	a.state()
	err = a.settle(ctx)
	if errors.Is(err, errStop) {
		fmt.Fprintln(a.out, "\nStopped. Nothing was written; --yes asks nothing.")
		return nil
	}
	if err == nil {
		a.doc.open = a.is.Dialect.Protocol != "" && len(a.registers()) > 0
		a.doc.head = a.headText()
		err = a.doc.write(a.file, nil)
	}
	if err != nil {
		return err
	}
	if a.doc.open {
		return a.tell(a.out, fmt.Sprintf("\n%s is written. In place of each %s write what the supply's manual says, and remove the lines that it has nothing for; then: nightcell check --config %[1]s --ask\n", a.file, configs.PortToFill))
	}
	fmt.Fprintf(a.out, "\n%s is written. Checking it with the supply:\n\n", a.file)
	if err := (&checkFlags{config: a.file, ask: true, patience: "60 s", rack: &a.rack}).run(ctx, a.shell); err != nil {
		fmt.Fprintf(a.err, "\nCorrect what is named above, in %s or at the supply; then: nightcell check --config %[1]s --ask\n", a.file)
		return err
	}
	if a.is.Dialect.Protocol == "" {
		a.tellDoubt()
	}
	fmt.Fprintf(a.out, "\nNext: nightcell watch --config %s\n", a.file)
	return nil
}

// begin makes the document: that of the plan, or one of a cell of which nothing is stated.
func (a *attach) begin() error {
	a.said, a.now, a.own = map[string]string{}, map[string]string{}, map[string]bool{}
	a.asker = newAsker(a.in, a.out)
	if a.plan == "" {
		a.doc = newDocument()
		a.doc.drop("cell")
		a.doc.cellName = "cell-1"
		a.doc.set(a.doc.cell("supply"), a.doc.bank)
	} else {
		o := planOptions{config: a.plan, cell: a.cellName}
		var err error
		if a.doc, err = o.whole(); err != nil {
			return err
		}
	}
	a.doc.why = map[string]string{}
	return nil
}

// inquire asks the supply everything, and tells what is found as it is found.
func (a *attach) inquire(ctx context.Context) (err error) {
	q := scpi.Inquiry{Line: line.Settings{Address: a.port, Record: a.rack.Record}}
	if unit, stated := a.doc.get(a.doc.supply("dialect.unit")).(int64); stated {
		q.Line.Unit = int(unit)
	}
	_ = a.tell(a.out, fmt.Sprintf("Asking the supply on %s, by queries alone. This takes up to three minutes.\n", drivers.Plain(a.port)))
	if _, terminal := columns(a.out); terminal {
		q.Said = func(what string) { fmt.Fprintf(a.out, "\r%79s\r  … %s", "", what) }
	}
	begun := time.Now()
	a.is, err = scpi.Inquire(ctx, q)
	if q.Said != nil {
		fmt.Fprintf(a.out, "\r%79s\r", "")
	}
	switch {
	case ctx.Err() != nil:
		return errors.New("stopped; nothing was written")
	case err != nil:
		return &spoken{withoutEcho(err), err}
	}
	fmt.Fprintf(a.out, "\nFound in %.0f s:\n", time.Since(begun).Seconds())
	for _, c := range a.is.Conclusions {
		_ = a.tell(a.out, fmt.Sprintf("  %-36s  %s\n", c.Found, c.Why))
	}
	return nil
}

// state writes what was found into the document.
func (a *attach) state() {
	d, is := &a.doc, a.is
	why := map[string]string{}
	for _, c := range is.Conclusions {
		why[c.Key] = c.Why
	}
	put := func(key string, value any) {
		d.set(d.supply(key), value)
		a.own[key] = true
		if w := why[key]; w != "" {
			d.why[d.supply(key)] = w
		}
	}
	free := func(key string) bool { return a.own[key] || d.get(d.supply(key)) == nil }
	if is.Dialect.Protocol == "" || d.get(d.supply("dialect.protocol")) == nil { // else it is a map of registers
		d.drop(d.supply("dialect"))
	}
	put("port", a.port)
	d.why[d.supply("port")] = a.why
	if is.Line.Baud != 0 {
		put("baud", is.Line.Baud)
	}
	if p := is.Line.Parity; p != "" && (p != "none" || d.get(d.supply("parity")) != nil) {
		put("data_bits", is.Line.DataBits)
		put("parity", is.Line.Parity)
	}
	if is.Dialect.Protocol != "" {
		put("dialect.protocol", is.Dialect.Protocol)
		put("dialect.unit", is.Dialect.Unit)
		for _, r := range a.registers() {
			d.set(r.name, configs.PortToFill)
			d.why[r.name] = r.title
		}
		return
	}
	put("identity", strings.TrimRight(is.Identity.Maker+","+is.Identity.Model+","+is.Identity.Serial, ","))
	standard, found := reflect.ValueOf(scpi.Standard()), reflect.ValueOf(is.Dialect)
	for i := range found.NumField() {
		if v := found.Field(i).Interface(); v != standard.Field(i).Interface() {
			if w, ok := v.(scpi.Wait); ok {
				v = quantity.Format(quantity.Time, time.Duration(w).Seconds())
			}
			put("dialect."+found.Type().Field(i).Tag.Get("toml"), v)
		}
	}
	for _, m := range []struct {
		key   string
		dim   quantity.Dimension
		meter scpi.Meter
	}{{"voltage", quantity.Voltage, is.Volts}, {"current", quantity.Current, is.Amperes}} {
		if !math.IsNaN(m.meter.Most) && free("range_"+m.key) {
			put("range_"+m.key, quantity.Format(m.dim, m.meter.Most))
		}
		if key := "accuracy." + m.key + "_resolution"; free(key) {
			put(key, quantity.Format(m.dim, m.meter.Step))
			d.why[d.supply(key)] = "the last digit that changes in its answers"
		}
	}
	if is.Took > 400*time.Millisecond && d.get(d.cell("poll")) == nil {
		d.set(d.cell("poll"), quantity.Format(quantity.Time, math.Ceil(2.5*is.Took.Seconds())))
		d.why[d.cell("poll")] = "a reading is slow"
	}
}

// stableName is the name of a port that outlives unplugging, and a reason if it is another.
func stableName(port string) (name, reason string) {
	if _, err := os.Stat(port); err != nil {
		return port, "" // a socket, or a port that is no file
	}
	ports, err := line.Ports()
	for _, p := range ports {
		if err == nil && p.NameIsStable && p.Device == port {
			return p.Name, "the stable name of " + port
		}
	}
	if name, err = filepath.Abs(port); err != nil { // the working directory is gone
		return port, ""
	}
	return name, ""
}

// settle puts the questions that the supply cannot answer, or names what stays open.
func (a *attach) settle(ctx context.Context) error {
	var open []question
	if a.is.Dialect.Protocol != "" && !a.yes {
		open = a.registers()
	}
	for _, q := range a.unknowns() {
		if q.name == "" {
			continue
		}
		if a.yes {
			a.left = append(a.left, q.title)
			continue
		}
		open = append(open, q)
	}
	if len(a.left) > 0 {
		fmt.Fprintln(a.out, "\nNot known, and so left out:")
		for _, l := range a.left {
			fmt.Fprintln(a.out, "  "+l)
		}
	}
	if len(open) > 0 {
		fmt.Fprintln(a.out, "\nThe supply does not report the rest:")
	}
	for i := range open {
		if err := a.one(ctx, i, len(open)-1, &open[i]); err != nil {
			return err
		}
	}
	return nil
}

// unstated is what is answered by who does not know.
const unstated = "unknown"

// unknowns are the questions; one without a name need not be put.
func (a *attach) unknowns() []question {
	d, is := &a.doc, a.is
	ask := func(needed bool, name, title, key, answer, why string, dims ...quantity.Dimension) question {
		if !needed || key != "" && d.get(key) != nil {
			return question{}
		}
		return question{name, title, func() (string, string, error) { return answer, why, nil }, func(text string) error {
			if text == unstated {
				d.drop(key)
				return nil
			}
			if _, err := quantity.ParseAny(text, dims...); err != nil {
				return err
			}
			d.set(key, text)
			return a.mistakeAt(key)
		}}
	}
	const sheet = "The data sheet says it, as ± a share of the reading + a share of the range or a constant; otherwise nightcell assumes a poor meter."
	milli := ask(is.Scale, "scale", fmt.Sprintf("Currents are answered without a point, such as %g: in A or mA? Taken for A unless stated", is.Amperes.Last), "", "A", "Compare with the display of the supply.")
	milli.take = func(text string) error {
		if text != "A" && text != "mA" {
			return fmt.Errorf("%q is neither A nor mA", text)
		}
		if text == "mA" {
			is.InMilliamperes()
			a.state()
		}
		return nil
	}
	channel := ask(is.Channels > 1 && d.get(d.cell("channel")) == nil, "channel", fmt.Sprintf("Channel that the cell is on, 1 to %d; taken for 1 unless stated", is.Channels), "", "1", "A cell is on one output.")
	channel.take = func(text string) error {
		n := 0
		if _, err := fmt.Sscanf(text, "%d", &n); err != nil || n < 1 || n > is.Channels {
			return fmt.Errorf("%q is not a channel from 1 to %d", text, is.Channels)
		}
		d.set(d.cell("channel"), n)
		return nil
	}
	// The proposal is reckoned when it is asked for: by then A or mA is settled.
	limit := func(key, what string, dim quantity.Dimension, meter *float64, factor float64, why string) question {
		q := ask(true, "most-"+key, "Raise an alarm above this "+what, d.cell("limits."+key), "", "", dim)
		q.propose = func() (string, string, error) {
			if !(*meter > 0.1) {
				return unstated, why, nil
			}
			return quantity.Round(dim, factor**meter, 3), why, nil
		}
		return q
	}
	return []question{milli, channel,
		ask(true, "range-voltage", "Highest voltage of the supply, such as 32 V", d.supply("range_voltage"), unstated, "Its type plate says it. Readings beyond it are refused.", quantity.Voltage),
		ask(true, "range-current", "Highest current of the supply, such as 5 A", d.supply("range_current"), unstated, "Its type plate says it.", quantity.Current),
		ask(true, "gain", "Accuracy of the current: share of the reading, such as 0.1 %", d.supply("accuracy.current_gain"), unstated, sheet, quantity.Fraction),
		ask(true, "offset", "Accuracy of the current: the rest, such as 5 mA", d.supply("accuracy.current_offset"), unstated, sheet, quantity.Current),
		limit("current", "current", quantity.Current, &is.Amperes.Set, 1.1, "A tenth above its set-point now (common practice, no source)."),
		limit("voltage", "cell voltage", quantity.Voltage, &is.Volts.Last, 1.3, "A third above the cell's voltage now (common practice, no source)."),
	}
}

// headText begins the configuration with what stays open.
func (a *attach) headText() string {
	from := "those of SCPI-1999"
	if a.is.Dialect.Protocol != "" {
		from = "as the supply's manual has them, like all registers"
	}
	text := fmt.Sprintf("# Written by nightcell attach, from what the supply answered on %s.\n# Commands that set something were not tried: off and set_current are %s.\n", time.Now().UTC().Format(time.DateOnly), from)
	if len(a.left) > 0 {
		text += "# Not known, and so left out:\n#   " + strings.Join(a.left, "\n#   ") + "\n"
	}
	return strings.ReplaceAll(text, "%", "%%") + "#   nightcell check --config %s --ask\n\n"
}

// tellDoubt says how sure one reading is.
func (a *attach) tellDoubt() {
	c, err := configs.Load(a.file)
	if err != nil { // it was checked a moment ago
		return
	}
	supply, is := c.Supply(a.doc.bank), a.is
	s := supply.Accuracy
	u := func(m scpi.Meter, gain, offset, step float64) string {
		standard := math.Sqrt(gain*gain*m.Last*m.Last/3 + offset*offset/3 + step*step/12 + m.Scatter*m.Scatter)
		return quantity.WithDoubt(m.Last, 2*standard)
	}
	assumed := ""
	if supply.Assumed {
		assumed = "; the accuracy is assumed"
	}
	fmt.Fprintf(a.out, "\nOne reading: %s A, %s V (k = 2%s).\n", u(is.Amperes, s.GainRelative, s.OffsetAmperes, s.ResolutionAmperes), u(is.Volts, s.VoltGainRelative, s.VoltOffset, s.VoltResolution), assumed)
}
