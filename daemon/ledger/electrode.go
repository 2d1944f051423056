package ledger

import (
	"math"
	"time"

	"nightcell/configs"
	"nightcell/daemon/books"
	"nightcell/daemon/control"
	"nightcell/daemon/runlog"
	"nightcell/integrate/bath"
	"nightcell/integrate/matter"
)

// Electrode is how an electrode stands, Open while it is not spent.
type Electrode struct {
	Standing
	Material string
	Area     float64       // m2; 0: not stated
	Mass     matter.Figure // kg as weighed last; not Known: never, or not since it was stripped
	weighed  time.Time     // when that was, or when it was stripped
	Carries  matter.Figure // kg of metal since it was stripped last; not Known: nothing
	Charge   float64       // C that passed it in all
}

// ReadElectrode works out how an electrode stands. The error of control.Unknown says that it has no ledger.
func ReadElectrode(data, name string) (*Electrode, error) {
	lines, all, err := read(data, OfElectrode, name)
	if err != nil {
		return nil, err
	}
	e := electrode(data, name, lines)
	e.vouch(all)
	return e, nil
}

// electrode walks the lines of a ledger that count.
func electrode(data, name string, lines []runlog.Record) *Electrode {
	el, open := new(Electrode), isOpen(lines)
	var problems []string // of those before it by the same name
	anew := func(since time.Time) {
		problems = append(problems, el.Problems...)
		*el = Electrode{Standing: Standing{Name: name, Open: open, Since: since}}
	}
	anew(time.Time{})
	baths := map[string]*Bath{}
	spent := false
	for _, r := range inOrder(lines) {
		kind := r.Text("kind")
		if kind == lineOpen {
			anew(happened(r))
		} else if spent && kind != lineClose {
			anew(time.Time{})
		}
		switch spent = kind == lineClose; {
		case spent:
		case kind == lineRun:
			el.ran(data, r, baths)
		default:
			if kind != lineOpen {
				el.Entries = append(el.Entries, *r)
			}
			el.note(control.EntryOf(r))
		}
	}
	el.Problems = append(problems, el.Problems...)
	return el
}

// note takes what an entry states.
func (el *Electrode) note(e control.Entry) {
	if m := e.Words["material"]; m != "" {
		el.Material = m
	}
	if a, ok := e.Numbers[bath.CathodeArea]; ok {
		el.Area = a
	}
	for _, key := range []string{bath.MassBefore, bath.MassAfter} {
		if _, ok := e.Numbers[key]; ok && !e.At.Before(el.weighed) {
			el.Mass, el.weighed = bath.Measured(e.Numbers, key, bath.BalanceDoubt), e.At
		}
	}
	if e.Kind == control.EntryStripped {
		el.Carries = matter.Figure{}
		if !e.At.Before(el.weighed) { // it is lighter now by what nobody weighed
			el.Mass, el.weighed = matter.Figure{}, e.At
		}
	}
}

// ran takes a run that the electrode stood in, with the deposit as the ledger of the bath has it.
func (el *Electrode) ran(data string, r *runlog.Record, baths map[string]*Bath) {
	t, err := taking(r)
	if err != nil {
		el.Problems = append(el.Problems, err.Error())
		return
	}
	if el.Since.IsZero() {
		el.Since = time.Unix(0, t.Began).UTC()
	}
	u := stoodIn(t)
	el.Charge += t.Charge
	if baths[t.Bath] == nil {
		if baths[t.Bath], err = ReadBath(data, t.Bath); err != nil {
			el.Problems = append(el.Problems, err.Error())
			baths[t.Bath] = new(Bath)
		}
	}
	for _, s := range baths[t.Bath].Runs {
		if s.Cell == t.Cell && s.Run == t.Run {
			u = s
		}
	}
	u.Role, u.Bath = r.Text(roleText), t.Bath
	if u.Role == "cathode" && u.Won.Known() {
		el.Carries = matter.GivenFigure(el.Carries.Value+u.Won.Value, math.Hypot(el.Carries.StandardUncertainty, u.Won.StandardUncertainty))
	}
	if plate, area := platesOf(data, t, u.Role); el.Material == "" {
		el.Material, el.Area = plate, area
	}
	el.Runs = append(el.Runs, u)
	_, late := el.late(data, t)
	for _, e := range t.Counting(late) { // it was weighed as the run left it: no blank once the deposit is off
		if _, ok := e.Numbers[bath.MassAfter]; ok && e.Kind == bath.EntryWeighing && e.Booking().AtAnode() == (u.Role == "anode") && !u.Ended.Before(el.weighed) {
			el.Mass, el.weighed = bath.Measured(e.Numbers, bath.MassAfter, bath.BalanceDoubt), u.Ended
		}
	}
}

// blank is what the electrode weighs, kg, where it is not spent, and was weighed after it stood in a run, or was stripped, the last time; else not Known.
func (el *Electrode) blank() matter.Figure {
	if n := len(el.Runs); !el.Open || n > 0 && !el.weighed.After(el.Runs[n-1].Ended) {
		return matter.Figure{}
	}
	return el.Mass
}

// platesOf is what the run's configuration states of an electrode.
func platesOf(data string, t *books.Taking, role string) (material string, area float64) {
	cell, _, _ := books.Frozen(runDir(data, t), t.Cell)
	if cell == nil {
		return "", 0
	}
	material, area = cell.States.Cathode, configs.SI(cell.States.CathodeArea)
	if role == "anode" {
		material, area = cell.States.Anode, configs.SI(cell.States.AnodeArea)
	}
	if math.IsNaN(area) {
		area = 0
	}
	return material, area
}

// judge says what of an entry cannot be.
func (el *Electrode) judge(e control.Entry) error {
	if _, ok := e.Numbers[bath.Mass]; ok && e.Kind == bath.EntryWeighing {
		return control.BadRequest("mass is that of a deposit, which belongs to a run: nightcell enter CELL weighing. What electrode %s weighs is before, or after", el.Name)
	}
	return nil
}
