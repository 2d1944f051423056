package finish

import (
	"fmt"
	"math"
	"strings"

	"nightcell/configs/quantity"
	"nightcell/daemon/control"
	"nightcell/integrate/bath"
	"nightcell/integrate/matter"
)

// order is which items a run asks for, and when. What an anode takes and the other half of a divided cell come up only
// where there are any.
func (s *Subject) order() []string {
	names := []string{"protection"}
	switch {
	case s.Ended || s.stop().State == matter.Off:
		names = append(names, "off", "lift")
	default:
		names = append(names, "hold", "lift", "off")
	}
	names = append(names, "rinse", "dry", "weigh")
	if s.Plan != nil && s.Plan.Anode.Share.Known() {
		names = append(names, "anode")
	}
	names = append(names, "identity", "store", "bath")
	if s.Divided {
		names = append(names, "anolyte")
	}
	return append(names, "photo", "cost")
}

// practice marks what no source is known for.
const practice = "common practice, no source"

func kind(name string) control.EntryKind {
	k, _ := control.KindOfEntry(name) // the table of kinds has it, which a test holds
	return k
}

// item is what there is to say of an item before any entry.
func (s *Subject) item(name string) Item {
	metal, medium, stop := "the metal", matter.Medium(""), s.stop()
	if s.Plan != nil {
		metal, medium = strings.ToLower(s.Plan.Metal.Element.Name), s.Plan.Medium
	}
	switch name {
	case "protection":
		return Item{Title: "Fan and face shield on", Text: s.dangers(), Source: practice}
	case "hold":
		low := "a small hold current"
		if !math.IsNaN(s.HoldAmperes) {
			low = "the hold current, " + quantity.Short(quantity.Current, s.HoldAmperes, 4)
		}
		return Item{Title: "Turn down to the hold current", Act: "hold", Source: practice, Text: []string{
			fmt.Sprintf("Turn the current down to %s, and the voltage limit to just above what the cell then shows. The output stays on.", low),
			because("This bath attacks the deposit at rest: ", stop.Why)}}
	case "lift":
		if !s.Ended && stop.State != matter.Off {
			return Item{Title: "Lift the cathode out", Source: practice, Text: []string{
				"Lift it slowly while the hold current flows, and let it drip over the bath. Open no clip yet: a joint opened under current sparks."}}
		}
		return Item{Title: "Lift the cathode out", Source: practice, Text: []string{
			"The supply reads 0 A: lift it slowly and let it drip over the bath.", because("Do not wait: ", stop.Why)}}
	case "off":
		return Item{Title: "Switch the output off", Act: "off", Source: practice, Text: []string{
			"Switch it off at the supply and see that it reads 0 A. Open clips and leads only then."}}
	case "rinse":
		return Item{Title: "Rinse the deposit", Source: practice, Text: []string{rinsing(medium), "The first rinse is as dangerous as the bath: collect it with the bath."}}
	case "dry":
		return Item{Title: "Dry to constant mass", Kind: kind(bath.EntryDried), Ask: []string{"mass"}, Source: practice, Text: []string{
			"Dry it at 60 to 105 °C. Dry powder, sponge or a low-melting metal in moving air at room temperature. Let it cool, weigh it, dry it again, weigh it again.",
			"The mass is constant when two in a row differ by no more than 0.1 % or the ± of the balance."}}
	case "weigh":
		return Item{Title: "Weigh the deposit", Kind: kind(bath.EntryWeighing), Ask: []string{"mass", "before", "after"}, First: true}.with(
			"Enter the mass with the ± of the balance; or leave it empty and enter what the electrode weighed before and after.")
	case "anode":
		i := Item{Title: "Weigh what is on the anode", Kind: kind(bath.EntryWeighing), Ask: []string{"mass"}, Preset: map[string]string{bath.Electrode: "anode"}}
		if s.Plan.Anode.Soluble {
			i.Title, i.Ask = "Weigh the anode", []string{"before", "after"}
			return i.with("Rinse, dry and weigh it: what it has lost went into the bath.")
		}
		return i.with(fmt.Sprintf("Scrape off and dry the %s, and weigh it: it is %s that the bath lost and the cathode did not get.", s.Plan.Anode.Oxide.Formula, metal))
	case "identity":
		return Item{Title: "Test its identity", Kind: kind(control.EntryIdentity), Ask: []string{"result", "method"}}.with(
			"State the test and its result. A piece dissolved in acid with its gas measured over water, or an assay, gives a figure: enter identity has the fields.",
			"Acid on metal makes hydrogen, and deadly arsine where the bath held arsenic: small pieces, fume hood, no flame.")
	case "store":
		i := Item{Title: "Store the deposit", Source: practice}
		if s.Plan == nil {
			return i.with("Keep it dry in a closed and labelled container with desiccant; powder and sponge may heat up in air, so cool and in small portions.")
		}
		i.Source = s.Plan.Metal.Store.Source
		return i.with(strings.ToUpper(s.Plan.Metal.Store.Text[:1]) + s.Plan.Metal.Store.Text[1:] + ".")
	case "bath":
		side := "bath"
		if s.Divided {
			side = "catholyte"
		}
		return disposal("Decide on the "+side, side, medium)
	case "anolyte":
		return disposal("Decide on the anolyte", "anolyte", medium)
	case "photo":
		return Item{Title: "Take a photo", Kind: kind(control.EntryPhoto), Ask: []string{"file"}, Optional: true}.with("It is copied in beside the log with its SHA-256.")
	}
	return Item{Title: "Enter what it cost", Kind: kind(control.EntryCost), Ask: []string{"amount", "currency", "for"}, Optional: true}.with("Salt, electrode, disposal: the account makes a price per gram of them.")
}

func (i Item) with(text ...string) Item {
	i.Text = text
	return i
}

func because(lead, why string) string {
	if why == "" {
		return ""
	}
	return lead + why + "."
}

// dangers are the usual cautions and those of the metal in its medium.
func (s *Subject) dangers() []string {
	text := []string{"Fan on, face shield, goggles and gloves on, no flame or spark near the cell. Local rules and a person licensed to judge the room come first."}
	if s.Plan == nil {
		return text
	}
	for _, c := range s.Plan.Metal.CautionsIn(s.Plan.Medium) {
		if c.Danger {
			text = append(text, strings.ToUpper(c.Text[:1])+c.Text[1:]+".")
		}
	}
	return text
}

// rinsing says with what. Acid on a cyanide or sulfide bath gives off a deadly gas.
func rinsing(medium matter.Medium) string {
	if medium == matter.Cyanide || medium == matter.Sulfide {
		return "Rinse it at once with water kept alkaline, never with acid, which would give off a deadly gas; then with plenty of clean water."
	}
	return "Rinse it at once with plenty of water, the last of it deionised, until the rinse is neutral."
}

// disposal asks what becomes of a liquid. What is discarded is entered as such.
func disposal(title, what string, medium matter.Medium) Item {
	i := Item{Title: title, Kind: kind(control.EntryDiscarded), Preset: map[string]string{"what": what}, Source: practice, Choices: []Choice{
		{"keep", "Close it, with a vent while it still gives off gas, and label it: contents, date, dangers. The next run starts with what is left in it."},
	}}
	poison := medium == matter.Cyanide || medium == matter.Sulfide
	if medium.Acidic() && medium != "" && medium != matter.Chromic {
		again := "Bring the metal back with its oxide, hydroxide or carbonate, which uses up the acid. Carbonate foams: slowly, with room above the liquid. Enter it as an addition to the next run."
		if what == "anolyte" {
			again = "Use the acid that it has gained to dissolve oxide or carbonate for the next catholyte. Carbonate foams: slowly, with room above the liquid."
		}
		i.Choices = append(i.Choices, Choice{"regenerate", again})
	}
	if !poison && medium != "" && medium != matter.Chromic && medium != matter.Fluoborate { // those take more than a base
		i.Choices = append(i.Choices, Choice{"neutralise", "Only where local rules allow it: slowly, cooled, in a fume hood, with goggles and gloves. The sludge holds the metal and is waste too; neutral is not yet fit for a drain."})
	}
	i.Choices = append(i.Choices, Choice{HandOver, "Hand it over as hazardous waste by local rules: labelled with contents, pH and volume, mixed with nothing, never down a drain. Enter the volume and where it went."})
	i.Text = []string{"What becomes of it is for local rules and a licensed person to say."}
	if medium == matter.Ammine {
		i.Text = append(i.Text, "A noble metal in ammonia makes an explosive as the days pass: acidify that bath at once, in a fume hood, and keep none.")
	}
	if poison {
		i.Text = append(i.Text, "No acid near it: it would give off a deadly gas.")
	}
	return i
}
