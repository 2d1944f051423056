package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"nightcell/configs"
	"nightcell/configs/quantity"
	"nightcell/daemon/report"
	"nightcell/drivers"
	"nightcell/drivers/line"
	"nightcell/drivers/simulated"
	"nightcell/integrate/matter"
	"nightcell/integrate/plan"
)

func newFirstNightCommand(s *shell) *cobra.Command {
	f := firstNight{shell: s, file: configName}
	cmd := newCommand("first-night", func(cmd *cobra.Command, args []string) error {
		if len(args) > 0 {
			f.file = args[0]
		}
		return f.run(cmd.Context())
	})
	cmd.Flags().StringVar(&f.listen, "listen", "", "serve the page and metrics on this `address` (default: 127.0.0.1:9648)")
	return cmd
}

// firstNight is the way of a newcomer to a watched cell.
type firstNight struct {
	*shell
	asker
	file, listen string

	said map[string]string // what was typed, by the names of the questions, kept over an interruption
	now  map[string]string // every answer of this time
	doc  document
	key  string     // of the answer taken last, in the configuration
	plan *plan.Plan // once the bath and the cell are stated
}

// kept is where unfinished answers are.
func (f *firstNight) kept() string { return f.file + ".unfinished" }

func (f *firstNight) run(ctx context.Context) error {
	if err := checkExtension("first-night", f.file, ".toml"); err != nil {
		return err
	}
	if _, err := os.Lstat(f.file); err == nil {
		return usagef("%s exists and is not overwritten; watch it: nightcell watch --config %[1]s, or name another: nightcell first-night other.toml", f.file)
	}
	f.said, f.now = map[string]string{}, map[string]string{}
	text, err := os.ReadFile(f.kept())
	if err == nil {
		err = json.Unmarshal(text, &f.said)
	}
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return usagef("the answers saved in %s cannot be read: %w; remove it to start again", f.kept(), err)
	}
	f.asker = newAsker(f.in, f.out)
	_ = f.tell(f.out, "nightcell is a monitor, not a safety device, and never switches an output on. Hydrogen, acid mist and unattended current "+
		"call for ventilation, fuse, current limit and mains timer that work without it. Your local code and licensed people come first.\n")
	switch err = f.ask12(ctx); {
	case errors.Is(err, errStop):
		return f.keep()
	case err != nil:
		return errors.Join(err, f.keep())
	}
	return f.begin(ctx)
}

// keep keeps the answers of who stops.
func (f *firstNight) keep() error {
	if len(f.said) == 0 {
		fmt.Fprintln(f.out, "\nStopped. Nothing was written.")
		return nil
	}
	text, err := json.MarshalIndent(f.said, "", "  ")
	if err == nil {
		err = os.WriteFile(f.kept(), append(text, '\n'), 0o600)
	}
	if err != nil {
		return fmt.Errorf("saving the answers: %w", err)
	}
	fmt.Fprintf(f.out, "\nStopped. Your answers are saved in %s: the same command continues with them. Nothing else was written.\n", f.kept())
	return nil
}

// ask12 puts the questions in order and writes the configuration, again from the first where the answers do not go together.
func (f *firstNight) ask12(ctx context.Context) error {
	for {
		f.doc, f.plan = newDocument(), nil
		f.doc.head, f.doc.why = firstNightHead, map[string]string{}
		if f.listen != "" {
			f.doc.set("page.listen", f.listen)
		}
		again := error(nil)
		list := f.questions()
		for i := range list {
			if again = f.one(ctx, i, len(list), &list[i]); again != nil {
				break
			}
		}
		if again == nil {
			again = f.doc.write(f.file, f.plan)
		}
		if _, wrong := errors.AsType[usageError](again); !wrong {
			return again
		}
		fmt.Fprintln(f.out)
		if mistakes, ok := errors.AsType[configs.Mistakes](again); ok {
			for _, m := range mistakes {
				f.say(strings.TrimPrefix(m.Key, "cell.") + ": " + m.Wrong + "; " + m.Remedy)
			}
		} else {
			f.say(speak(again).Error())
		}
		f.say("These answers contradict each other. The questions start again, with your answers as defaults.")
	}
}

// begin checks what was written with the supply, and ends in the watch.
func (f *firstNight) begin(ctx context.Context) error {
	if err := os.Remove(f.kept()); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	fmt.Fprintf(f.out, "\n%s is written. Checking it, and querying the supply:\n\n", f.file)
	speed := 1.0
	if f.now["supply"] == simulatedSupply {
		speed = rehearsalSpeed
		port, err := f.simulate(ctx, speed)
		if err != nil {
			return err
		}
		defer func() { _ = port.Close() }()
	}
	if err := (&checkFlags{config: f.file, ask: true, patience: "20 s"}).run(ctx, f.shell); err != nil {
		fmt.Fprintf(f.err, "\nFix what is named above, in %s or at the supply; then: nightcell watch --config %[1]s\n", f.file)
		return err
	}
	c, err := configs.Load(f.file)
	if err != nil {
		return usageError{err}
	}
	called := "Nobody is called yet: configs/notices-and-databases.toml shows how to change that."
	if len(c.Routes) > 0 {
		called = fmt.Sprintf("Prove that you are called: nightcell drill %s --config %s", c.Cells[0].Name, f.file)
	}
	fmt.Fprintf(f.out, "\nThe page: http://%s/\n%s\nBefore you leave it alone: nightcell begin %s --config %s\n", c.Page.Listen, called, c.Cells[0].Name, f.file)
	if speed > 1 {
		fmt.Fprintf(f.out, "Supply and cell are simulated, an hour in a minute. Later, on two terminals:\n    nightcell simulate --link %s --speed %g\n    nightcell watch --config %s --speed %[2]g\n",
			f.link(), speed, f.file)
	}
	answer, err := f.put(ctx, "\nStart nightcell watch now? It runs until Ctrl-C. Enter = yes, q = stop: ")
	if err != nil || answer != "" && !strings.HasPrefix(strings.ToLower(answer), "y") {
		fmt.Fprintf(f.out, "Everything is kept: nightcell watch --config %s\n", f.file)
		return nil
	}
	return (&watchFlags{config: f.file, speed: speed}).run(ctx, f.shell)
}

// link is where the simulated supply is.
func (f *firstNight) link() string {
	path, err := filepath.Abs(filepath.Join(filepath.Dir(f.file), "simulated-supply"))
	if err != nil { // the working directory is gone; the watch will say so
		return "simulated-supply"
	}
	return path
}

// simulate is a supply with a cell that works as the answers say, as far as the simulation knows its metal.
func (f *firstNight) simulate(ctx context.Context, speed float64) (*simulated.PTY, error) {
	script := "name = \"first night\"\n[supply]\n"
	if a := f.plan.Order.Bath.Conditions.Current.Value; a > 0 && a <= 5 {
		script += fmt.Sprintf("amperes = %.4g\n", a)
	}
	if m := f.plan.Bath.Metal.Element.Name; m == "zinc" || m == "copper" {
		litres := f.plan.Bath.Volume.Value * 1e3
		script += fmt.Sprintf("[cell]\nmetal = %q\ngrams_per_litre = %.4g\nlitres = %.4g\n", m, math.Min(f.plan.Concentration().Value, 200), litres)
	}
	scenario, err := simulated.ParseScenario("first night", []byte(script))
	if err != nil {
		return nil, err
	}
	instrument, err := simulated.New(simulated.Setup{Clock: drivers.NewClock(speed), Seed: 1, Scenario: scenario})
	if err != nil {
		return nil, err
	}
	if err := linkable(f.link()); err != nil {
		return nil, err
	}
	return simulated.Serve(ctx, instrument, f.link())
}

// firstNightHead begins the configuration of a first night.
const firstNightHead = `# Written by nightcell first-night. configs/every-key.toml shows every key that may stand here.
#   nightcell check --config %s --ask

`

// simulatedSupply is the answer of who has no supply, nobody that of who is not to be called.
const (
	simulatedSupply = "simulated"
	rehearsalSpeed  = 60 // of the clock of a simulated night
	nobody          = "none"
)

// questions are those of a first night, in order, but for the last: whether to begin.
func (f *firstNight) questions() []question {
	fixed := func(answer, why string) func() (string, string, error) {
		return func() (string, string, error) { return answer, why, nil }
	}
	d := &f.doc
	// stated is a question whose answer stands at one key of the cell.
	stated := func(name, title, key, answer, why string, dims ...quantity.Dimension) question {
		return question{name, title, fixed(answer, why), func(text string) error { return f.state(key, text, dims...) }}
	}
	return []question{
		{"salt", "The salt in the bath, by its formula", fixed("ZnSO4·7H2O", "The salt gives the metal. This one is from the examples: zinc sulfate."), f.takeSalt},
		{"mass", "How much of it is in the bath", fixed("250 g", "As weighed; '250 g ± 0.5 g' makes the target as sure as your balance."), func(text string) error {
			if _, err := quantity.Parse(quantity.Mass, text); err != nil {
				return err
			}
			d.set(d.cell("bath.salts"), []map[string]any{{"formula": f.now["salt"], "mass": text}})
			return nil
		}},
		stated("volume", "Volume of the bath", "bath.volume", "0.9 L", "In a divided cell that of the catholyte, around the cathode.", quantity.Volume),
		stated("separator", "Separator: none, diaphragm, cation-membrane or anion-membrane", "electrodes.separator", "diaphragm", "It keeps the acid of the anode away from the deposit."),
		stated("area", "Area of the cathode", "electrodes.cathode_area", "60 cm2", "Both faces, if both see an anode.", quantity.Area),
		stated("recover", "How much of the metal to recover", "target.recover", "85 %", "The last part takes the most charge and makes the most hydrogen.", quantity.Fraction),
		{"current", "Working current", f.proposeCurrent, func(text string) error {
			return f.state("working.current", text, quantity.Current)
		}},
		{"supply", "The supply: its port, tcp://host:port, or " + simulatedSupply, f.proposeSupply, f.takeSupply},
		{"most-current", "Raise an alarm above this current", f.proposeMostCurrent, func(text string) error {
			return f.state("limits.current", text, quantity.Current)
		}},
		{"most-voltage", "Raise an alarm above this cell voltage", f.proposeMostVoltage, func(text string) error {
			return f.state("limits.voltage", text, quantity.Voltage)
		}},
		{"call", "How you are called: the URL of a webhook, a mail address, a program, or " + nobody,
			fixed(nobody, "Alarms then appear only on the page, and nobody is called. Mail goes through the mail server of this machine."), f.takeCall},
	}
}

// state writes an answer at a key of the cell.
func (f *firstNight) state(key, text string, dims ...quantity.Dimension) error {
	if dims != nil {
		if v, err := quantity.ParseAny(text, dims...); err != nil {
			return err
		} else if !(v.SI > 0) {
			return fmt.Errorf("%s: give more than zero", text)
		}
	}
	full := f.doc.cell(key)
	f.doc.set(full, text)
	f.key = full
	return f.mistakeAt(full)
}

// mistakeAt is what a reader of the configuration says of one key.
func (f *firstNight) mistakeAt(key string) error {
	text, err := f.doc.text()
	if err != nil {
		return err
	}
	_, err = configs.Draft("", text)
	mistakes, _ := errors.AsType[configs.Mistakes](err)
	for _, m := range mistakes {
		if m.Key == key {
			return errors.New(strings.TrimSuffix(m.Wrong+"; "+m.Remedy, "; "))
		}
	}
	return nil
}

func (f *firstNight) takeSalt(text string) error {
	formula, err := matter.ParseFormula(text)
	if err != nil {
		return err
	}
	if found := matter.WinnableIn(formula); len(found) != 1 {
		return fmt.Errorf("%s holds %d metals that can be recovered; name a salt of one metal, such as ZnSO4·7H2O", text, len(found))
	}
	return nil
}

// settle makes the plan of what is stated so far.
func (f *firstNight) settle() error {
	made, err := (new(planOptions)).subject("planned", f.doc)
	if err != nil {
		return err
	}
	f.plan = made.Plan
	return nil
}

func (f *firstNight) proposeCurrent() (answer, why string, err error) {
	if err := f.settle(); err != nil {
		return "", "", err
	}
	current := f.plan.Order.Bath.Conditions.Current
	if !current.Known() {
		return "1 A", "The table has no usual current density for this bath.", nil
	}
	usual := f.plan.Window().CurrentDensity
	return quantity.Round(quantity.Current, current.Value, 2), fmt.Sprintf("The middle of what is usual for %s in such a bath, %s to %s on the cathode.",
		f.plan.Bath.Metal.Element.Name, quantity.Round(quantity.CurrentDensity, usual.Low, 2), quantity.Round(quantity.CurrentDensity, usual.High, 2)), nil
}

func (f *firstNight) proposeSupply() (answer, why string, err error) {
	if err := f.settle(); err != nil {
		return "", "", err
	}
	goal := f.plan.Bath.Goal
	planned := fmt.Sprintf("Planned: %s in %s for %s of %s. ", report.Show(goal.Charge, report.AmpereHours), report.Lasting(goal.Duration),
		report.Show(goal.Deposit, report.Grams), f.plan.Bath.Metal.Element.Name)
	ports, err := line.Ports()
	if err != nil && !errors.Is(err, line.ErrNoListing) {
		return "", "", err
	}
	for _, p := range ports {
		if p.USB != nil && p.Access && p.HeldBy == "" {
			return p.Name, planned + "The first USB adapter that no other process has open; nightcell ports lists every port.", nil
		}
	}
	return simulatedSupply, planned + "No free USB adapter was found; nightcell ports lists every port. A simulated supply with a cell behind it needs none, an hour in a minute.", nil
}

func (f *firstNight) takeSupply(text string) error {
	d, port := &f.doc, text
	if text == simulatedSupply {
		port = f.link()
		for key, value := range map[string]any{"identity": "EXAMPLE,PS-30-5", "range_voltage": "32 V", "range_current": "5 A"} {
			d.set(d.supply(key), value)
		}
		d.set(d.cell("gap_after"), "2 min") // on the fast clock, a moment of a busy machine is a minute
		d.set(d.cell("limits.silence"), "5 min")
	}
	d.set(d.supply("port"), port)
	return f.mistakeAt(d.supply("port"))
}

func (f *firstNight) proposeMostCurrent() (answer, why string, err error) {
	current := f.plan.Order.Bath.Conditions.Current.Value
	return quantity.Round(quantity.Current, 1.1*current, 3), "A tenth above the working current (common practice, no source). Set the supply's own limit too: the alarm does not hold it back.", nil
}

func (f *firstNight) proposeMostVoltage() (answer, why string, err error) {
	a := f.plan.Assessed
	if a == nil {
		return "6 V", "Nothing is known of the voltage of this cell.", nil
	}
	most := math.Ceil(2*a.Voltage.High) / 2
	return quantity.Format(quantity.Voltage, most), fmt.Sprintf("The upper end of what the plan expects, %.1f to %.1f V at the supply. Set its over-voltage trip there too.", a.Voltage.Low, a.Voltage.High), nil
}

func (f *firstNight) takeCall(text string) error {
	f.doc.drop("route")
	if text == nobody {
		return nil
	}
	route := map[string]any{"summary": "07:00"}
	switch u, err := url.Parse(text); {
	case err == nil && (u.Scheme == "http" || u.Scheme == "https"):
		route["kind"], route["url"] = "webhook", text
	case strings.Contains(text, "@") && !strings.ContainsAny(text, "/ "):
		route["kind"], route["server"], route["encryption"], route["from"], route["to"] = "email", "localhost", "none", "nightcell@localhost", []string{text}
	default:
		program := strings.Fields(text)
		if _, err := exec.LookPath(cmp.Or(strings.Join(program[:min(1, len(program))], ""), " ")); err != nil {
			return fmt.Errorf("%q is neither a URL nor a mail address nor a program that can be run: %w", text, err)
		}
		route["kind"], route["command"] = "command", program
	}
	f.doc.set("route.me", route)
	for _, key := range []string{"url", "to", "from"} {
		if err := f.mistakeAt("route.me." + key); err != nil {
			f.doc.drop("route")
			return err
		}
	}
	return nil
}
