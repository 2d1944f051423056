package page

import (
	"net/url"
	"strings"

	"nightcell/configs/quantity"
	"nightcell/daemon/control"
)

// entryKind is a kind of entry that can be written from the page. The command line knows more fields.
type entryKind struct {
	Name, Title, About string
	Fields             []entryField
	NeedsText          bool
}

// entryField is a figure with its unit, or a word when log is empty.
type entryField struct {
	Name, Label, Example string
	Required             bool
	dimension            quantity.Dimension
	log                  string // name in the run log, SI unit last
}

var entryKinds = []entryKind{
	{Name: "remark", Title: "Remark", About: "anything worth writing down", NeedsText: true},
	{Name: "measurement", Title: "Measurement", About: "read by hand", Fields: []entryField{
		{"temperature", "Temperature", "42 degC", false, quantity.Temperature, "temperature_kelvins"},
		{"ph", "pH", "1.4", false, quantity.Number, "ph"},
	}},
	{Name: "assay", Title: "Assay", About: "metal found in the bath", Fields: []entryField{
		{"concentration", "Metal in the bath", "12.4 g/L", true, quantity.MassConcentration, "concentration_kilograms_per_cubic_metre"},
	}},
	{Name: "sample", Title: "Sample", About: "solution taken out", Fields: []entryField{
		{"volume", "Volume taken", "5 mL", true, quantity.Volume, "volume_cubic_metres"},
	}},
	{Name: "water", Title: "Water", About: "water put in to make up for what evaporated", Fields: []entryField{
		{"volume", "Volume put in", "50 mL", true, quantity.Volume, "volume_cubic_metres"},
	}},
	{Name: "addition", Title: "Addition", About: "salt put into the bath", Fields: []entryField{
		{"formula", "Formula of the salt", "ZnSO4·7H2O", true, 0, ""},
		{"mass", "Mass", "50 g", true, quantity.Mass, "mass_kilograms"},
	}},
	{Name: "weighing", Title: "Weighing", About: "mass of the deposit", Fields: []entryField{
		{"mass", "Mass", "31.24 g", true, quantity.Mass, "mass_kilograms"},
	}},
}

// kindOf finds a kind by name; an unknown one is a remark.
func kindOf(name string) *entryKind {
	for i := range entryKinds {
		if entryKinds[i].Name == name {
			return &entryKinds[i]
		}
	}
	return &entryKinds[0]
}

// entry reads a filled-in form.
func (k *entryKind) entry(f url.Values) (control.Entry, error) {
	e := control.Entry{Kind: k.Name, Text: strings.TrimSpace(f.Get("text")), Numbers: map[string]float64{}, Words: map[string]string{}}
	for _, field := range k.Fields {
		given := strings.TrimSpace(f.Get(field.Name))
		switch {
		case given == "" && field.Required:
			return e, control.BadRequest("%s is missing; write it as in: %s", field.Label, field.Example)
		case given == "":
			continue
		case field.log == "":
			e.Words[field.Name] = given
			continue
		}
		x, err := quantity.Parse(field.dimension, given)
		if err != nil {
			return e, control.BadRequest("%s: %v", field.Label, err)
		}
		e.Numbers[field.log] = x
	}
	if e.Text == "" && len(e.Numbers) == 0 && len(e.Words) == 0 {
		return e, control.BadRequest("the entry says nothing")
	}
	return e, nil
}
