package main

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"net/url"
	"os/exec"
	"strings"

	"nightcell/configs"
	"nightcell/configs/quantity"
	"nightcell/drivers/line"
	"nightcell/integrate/matter"
)

// question is one step of a first night.
type question struct {
	name, title string
	propose     func() (answer, why string, err error)
	take        func(answer string) error // the error says what is wrong with the answer
}

// firstNightHead begins the configuration of a first night.
const firstNightHead = `# Written by nightcell first-night. configs/every-key.toml shows every key that may stand here.
#   nightcell check --config %s --ask

`

// simulatedSupply is the answer of who has no supply, nobody that of who is not to be called.
const (
	simulatedSupply = "simulated"
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
	var mistakes configs.Mistakes
	if _, err := configs.Draft("", text); errors.As(err, &mistakes) {
		for _, m := range mistakes {
			if m.Key == key {
				return errors.New(strings.TrimSuffix(m.Wrong+"; "+m.Remedy, "; "))
			}
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
	made, err := (&planOptions{densityUnit: "A/dm2"}).subject("planned", f.doc)
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
	planned := fmt.Sprintf("Planned: %s in about %s for %s of %s. ", quantity.Round(quantity.Charge, goal.Charge.Value, 3), quantity.Round(quantity.Time, goal.Duration.Value, 2),
		quantity.Round(quantity.Mass, goal.Deposit.Value, 3), f.plan.Bath.Metal.Element.Name)
	ports, err := line.Ports()
	if err != nil && !errors.Is(err, line.ErrNoListing) {
		return "", "", err
	}
	for _, p := range ports {
		if p.USB != nil && p.Access && len(p.HeldBy) == 0 {
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
	u, err := url.Parse(text)
	switch {
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
