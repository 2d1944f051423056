package bath

import (
	"encoding/json"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"nightcell/integrate/matter"
)

// leadOrder is 150 g of lead nitrate in 1 L, of which half is to be won.
func leadOrder() Order {
	return Order{
		Contents:   Contents{Volume: given(1e-3), Salts: []Salt{{Formula: "Pb(NO3)2", Mass: given(0.150)}}},
		Target:     Target{Recover, given(0.5)},
		Efficiency: Efficiency{Fraction: given(0.935)},
		Conditions: Conditions{Current: given(2), CathodeArea: given(1e-2)},
	}
}

// drawBatch draws a bath with an anode that takes metal, gives it back or does neither, its metal and its current.
func drawBatch(t *rapid.T) (b Batch, mol, amperes float64) {
	b = Batch{Valence: rapid.IntRange(1, 3).Draw(t, "valence"), Volume: rapid.Float64Range(1e-4, 1e-2).Draw(t, "m³"),
		Area: rapid.Float64Range(1e-4, 0.1).Draw(t, "m²"), Efficiency: rapid.Float64Range(0.05, 1).Draw(t, "efficiency"),
		Anode: rapid.Float64Range(-1, 1).Draw(t, "mol per faraday")}
	if rapid.Bool().Draw(t, "limited") {
		b.MassTransfer = rapid.Float64Range(1e-6, 1e-4).Draw(t, "m/s")
	}
	return b, rapid.Float64Range(1e-3, 2).Draw(t, "mol"), rapid.Float64Range(0.1, 50).Draw(t, "A")
}

// TestTakeIsTheIntegral compares the closed form with the differential equation, worked in steps by the midpoint rule.
func TestTakeIsTheIntegral(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b, mol, amperes := drawBatch(t)
		integrated(t, b, mol, amperes, rapid.Float64Range(0.01, 1.5).Draw(t, "share")*mol*96485/amperes)
	})
	rich := Batch{Valence: 2, Volume: 1e-3, Area: 1e-2, MassTransfer: 1e-5, Efficiency: 0.5, Anode: -0.5} // its second stage begins at 0.026 mol per ampere
	integrated(t, rich, 0.01, 1, 20000)                                                                   // grows out of it
	rich.MassTransfer = 0
	integrated(t, rich, 0, 1, 1000) // from nothing
}

func integrated(t interface{ Fatalf(string, ...any) }, b Batch, mol, amperes, seconds float64) {
	speed, anode := b.Efficiency*amperes/(float64(b.Valence)*96485.33212), b.Anode*amperes/96485.33212
	cathode := func(n float64) float64 {
		switch {
		case b.MassTransfer > 0:
			return math.Min(speed, b.MassTransfer*b.Area/b.Volume*math.Max(n, 0))
		case n > 0:
			return speed
		}
		return math.Min(speed, math.Max(-anode, 0)) // what the anode gives an empty bath
	}
	const steps = 40000
	n, won, lost, dt := mol, 0.0, 0.0, seconds/steps
	for range steps {
		if !(n > 0) && anode >= 0 {
			break
		}
		half := n - dt/2*(cathode(n)+anode)
		won, lost = won+dt*cathode(half), lost+dt*anode
		n = n - dt*(cathode(half)+anode)
	}
	gotWon, gotLost := b.Take(mol, amperes, seconds)
	if tolerance := 2e-4 * (mol + math.Abs(lost)); math.Abs(gotWon-won) > tolerance || math.Abs(gotLost-lost) > tolerance {
		t.Fatalf("won %.6g, lost %.6g mol of %.6g, in steps %.6g and %.6g (%+v)", gotWon, gotLost, mol, won, lost, b)
	}
	if left := mol - gotWon - gotLost; left < -1e-12*mol {
		t.Fatalf("%g mol are left", left)
	}
}

// TestTimeToWinBesideTheAnode: the time in which something is won wins it, and the bath is poorer by both sides.
func TestTimeToWinBesideTheAnode(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b, mol, amperes := drawBatch(t)
		want := rapid.Float64Range(0.001, 0.999).Draw(t, "share") * mol
		seconds := b.TimeToWin(mol, want, amperes)
		if math.IsInf(seconds, 1) {
			if most := b.Won(mol, amperes, b.Time(mol, 0, amperes)); most >= want {
				t.Fatalf("never, and %g of %g mol can be won", most, want)
			}
			return
		}
		if won, lost := b.Take(mol, amperes, seconds); math.Abs(won-want) > 1e-9*mol {
			t.Fatalf("in %g s %g mol are won, not %g", seconds, won, want)
		} else if left := mol - won - lost; left < mol && left > 1e-9*mol && b.Anode > 0 {
			if again := b.Time(mol, left, amperes); math.Abs(again-seconds) > 1e-6*seconds {
				t.Fatalf("by what is left it takes %g s, by what is won %g s", again, seconds)
			}
		}
	})
}

// before is the closed form of a bath beside an anode that takes nothing, as the package had it before there was another.
type before struct{ Batch }

func (b before) won(mol, amperes, seconds float64) float64 {
	if !(mol > 0) || !(amperes > 0) || !(seconds > 0) {
		return 0
	}
	speed := b.Efficiency * amperes / b.perMole()
	critical := b.Critical(amperes)
	first, all := 0.0, mol
	if mol > critical {
		until := (mol - critical) / speed
		if seconds <= until {
			return math.Min(speed*seconds, mol)
		}
		first, seconds, mol = mol-critical, seconds-until, critical
	}
	if mol == 0 {
		return first
	}
	return math.Min(first+mol*-math.Expm1(-b.rate()*seconds), all)
}

func (b before) time(from, to, amperes float64) float64 {
	speed, critical, first := b.Efficiency*amperes/b.perMole(), b.Critical(amperes), 0.0
	switch {
	case to >= from:
		return 0
	case to >= critical:
		return (from - to) / speed
	case from > critical:
		first, from = (from-critical)/speed, critical
	}
	if to == 0 {
		return math.Inf(1)
	}
	return first + math.Log(from/to)/b.rate()
}

// TestWithoutAnodeNothingMoves: runs that were begun before the anode was followed go on to the last bit.
func TestWithoutAnodeNothingMoves(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b, mol, amperes := drawBatch(t)
		b.Anode = 0
		seconds, to := rapid.Float64Range(0, 1e6).Draw(t, "s"), rapid.Float64Range(0, 1.1).Draw(t, "left")*mol
		won, lost := b.Take(mol, amperes, seconds)
		if want := (before{b}).won(mol, amperes, seconds); won != want || lost != 0 {
			t.Fatalf("won %v and lost %v, before %v", won, lost, want)
		}
		if got, want := b.Time(mol, to, amperes), (before{b}).time(mol, to, amperes); got != want {
			t.Fatalf("%v s, before %v s", got, want)
		}
	})
	var s State // as a checkpoint had it
	if err := json.Unmarshal([]byte(`{"Valence":2,"Efficiency":0.88,"MassTransfer":1e-5,"Area":0.006,"Catholyte":{"Volume":0.0009,"Supplied":0.8,"Deposited":0.1},"Anolyte":{},"Charge":22000,"ChargeTail":0,"Seconds":7000}`), &s); err != nil {
		t.Fatal(err)
	}
	d, err := Restore(s)
	if err != nil {
		t.Fatal(err)
	}
	if won := d.Step(3, 1); won != (before{d.Batch()}).won(0.7, 3, 1) || d.Catholyte().Anode() != 0 {
		t.Errorf("an old run wins %v mol in a second", won)
	}
	if text, _ := json.Marshal(d.State()); strings.Contains(string(text), "Uptake") || strings.Contains(string(text), "Anode\"") {
		t.Errorf("its checkpoint has grown: %s", text)
	}
}

// TestLeadNitrate: 150 g hold 150 × 207.2/331.2 = 93.8 g of lead (CIAAW). Half of it takes
// 46.9 / 207.2 × 2 × 96485 / 3600 / 0.935 = 12.98 A·h, by which an anode that makes nothing but dioxide asks for 50.2 g more than
// there are: it ends with 93.8 / 1.935 = 48.5 g. One that makes none leaves 46.9 g/L. That lead goes to the anode as dioxide, and all of it where it may, is how lead is
// weighed in electrogravimetry (common practice, no source).
func TestLeadNitrate(t *testing.T) {
	p := mustPlan(t, leadOrder())
	g := p.Goal
	for name, pair := range map[string][2]float64{
		"charge, A·h": {g.Charge.Value / 3600, 12.98}, "deposit": {g.Deposit.Value * 1e3, 46.92}, "at the anode": {g.Anode.Value * 1e3, 25.09},
		"at least": {g.Anode.Low * 1e3, 0}, "at most": {g.Anode.High * 1e3, 48.49}, "left": {g.Left.Value, 21.83},
	} {
		if math.Abs(pair[0]-pair[1]) > 0.02 {
			t.Errorf("%s: %.5g, by hand %g", name, pair[0], pair[1])
		}
	}
	if g.Left.Low > 0 || g.Left.High < 46.9 {
		t.Errorf("left between %g and %g g/L: both ends have to be in it", g.Left.Low, g.Left.High)
	}
	// Down to 5 g/L: 88.8 g by 0.935 and by 1.935 electrons' worth of 3.865 g/A·h are 24.6 and 11.9 A·h.
	poor := leadOrder()
	poor.Target = Target{Concentration, given(5)}
	if g := mustPlan(t, poor).Goal; g.Low/3600 > 11.9 || g.High/3600 < 24.6 || g.High/3600 > 27 {
		t.Errorf("down to 5 g/L in %g to %g A·h", g.Low/3600, g.High/3600)
	}
	if !strings.Contains(strings.Join(p.Notes, "; "), "the target is out of reach: the planned charge then deposits 45.3 g and leaves 0 g/L") {
		t.Errorf("%q", p.Notes)
	}
	divided := leadOrder()
	divided.Contents.Divided = true
	if g := mustPlan(t, divided).Goal; g.Left.Low < 39 || g.Left.High < 46.9 {
		t.Errorf("in a divided cell %g to %g g/L are left", g.Left.Low, g.Left.High)
	}
	stated := leadOrder()
	stated.Anode.Loss = matter.Figure{Value: 0.2, StandardUncertainty: 0.05 / math.Sqrt(3), Mark: matter.Given} // 20 % ± 5 %
	if g := mustPlan(t, stated).Goal; math.Abs(g.Anode.Low*1e3-7.53) > 0.01 || math.Abs(g.Anode.High*1e3-12.55) > 0.01 {
		t.Errorf("20 %% ± 5 %% of 50.2 g are %g to %g kg", g.Anode.Low, g.Anode.High)
	}
	none := leadOrder()
	none.Anode.Loss = matter.Figure{Mark: matter.Given}
	if g := mustPlan(t, none).Goal; g.Anode.Value != 0 || g.Left.Skewed() || math.Abs(g.Left.Value-46.92) > 0.02 {
		t.Errorf("without a loss: %+v", g)
	}
}

func TestAnodeMistakes(t *testing.T) {
	for _, tt := range []struct {
		change func(*Order)
		words  []string
	}{
		{func(o *Order) { o.Target.Value = given(0.85) }, []string{"recover", "PbO2", "0 % to 100 %", "divide the cell"}},
		{func(o *Order) { o.Anode.Loss = given(1.2) }, []string{"anode-loss", "120 %"}},
		{func(o *Order) { o.Anode = Anode{Soluble: true, Loss: given(0.2)} }, []string{"anode-loss", "gives metal back"}},
		{func(o *Order) { *o = zincOrder(); o.Anode.Loss = given(0.2) }, []string{"anode-loss", "no oxide of zinc"}},
		{func(o *Order) { o.Anode.Soluble = true; o.Target = Target{Concentration, given(5)} }, []string{"target.concentration", "gives back", "a deposit"}},
	} {
		o := leadOrder()
		tt.change(&o)
		_, err := NewPlan(o)
		for _, word := range tt.words {
			if err == nil || !strings.Contains(err.Error(), word) {
				t.Errorf("%q is not in: %v", word, err)
			}
		}
	}
}

// TestSolubleAnode: copper onto copper from copper keeps the bath, less the share of the anode that makes oxygen.
func TestSolubleAnode(t *testing.T) {
	o := twoStageOrder()
	o.Target, o.Anode.Soluble = Target{Deposit, given(0.2)}, true // more than the 80 g in the bath
	p := mustPlan(t, o)
	g := p.Goal
	if dissolved := -g.Anode.Value / g.Deposit.Value; math.Abs(dissolved-0.975/0.95) > 1e-9 { // the middle of 95 to 100 %, over the efficiency
		t.Errorf("the anode gives back %.6f of the deposit", dissolved)
	}
	if g.Left.Value < 40 || g.Left.Value > 43 || !(g.Anode.Low < g.Anode.High && g.Anode.High < 0) {
		t.Errorf("%g g/L are left, %g to %g kg lost", g.Left.Value, g.Anode.Low, g.Anode.High)
	}
	p.Model.Step(g.Charge.Value/2, g.Duration.Value/2)
	if left, _ := p.Remaining(4); math.Abs(left-g.Charge.Value/2) > 1e-6*left {
		t.Errorf("half way there %g C are left of %g", left, g.Charge.Value)
	}
}

// drawAnodeOrder draws a bath whose metal an anode takes or gives back.
func drawAnodeOrder(t *rapid.T) Order {
	symbol := rapid.SampledFrom([]string{"Pb", "Mn", "Co", "Ag", "Tl", "Zn"}).Draw(t, "metal")
	o := Order{
		Contents: Contents{Metal: symbol, Medium: matter.Sulfate, Volume: given(rapid.Float64Range(1e-4, 5e-3).Draw(t, "m³")),
			Concentration: given(rapid.Float64Range(5, 100).Draw(t, "g/L")), Divided: rapid.Bool().Draw(t, "divided")},
		Efficiency: Efficiency{Fraction: given(rapid.Float64Range(0.1, 1).Draw(t, "efficiency"))},
		Anode:      Anode{Material: rapid.SampledFrom([]string{"", "lead", "graphite"}).Draw(t, "anode"), Soluble: rapid.Bool().Draw(t, "soluble")},
		Conditions: Conditions{Current: given(rapid.Float64Range(0.1, 20).Draw(t, "A")), CathodeArea: given(0.01)},
	}
	if rapid.Bool().Draw(t, "limited") {
		o.Efficiency.MassTransfer = given(1e-5)
	}
	if o.Contents.Divided {
		o.Contents.Crossing = matter.Range{High: rapid.Float64Range(0, 0.3).Draw(t, "crossing"), Mark: matter.Assumed}
		if rapid.Bool().Draw(t, "zincate") { // which the field drives across
			o.Contents.Metal, o.Contents.Medium = "Zn", matter.Alkaline
		}
	}
	switch rapid.IntRange(0, 2).Draw(t, "target") {
	case 0:
		o.Target = Target{Recover, given(rapid.Float64Range(0.05, 0.95).Draw(t, "share"))}
	case 1:
		o.Target = Target{Concentration, given(rapid.Float64Range(1, 90).Draw(t, "left, g/L"))}
	case 2:
		o.Target = Target{Charge, given(rapid.Float64Range(1e3, 1e6).Draw(t, "C"))}
	}
	return o
}

// TestEveryAtomIsSomewhere: metal in the bath = deposit + at the anode + through the separator + what remains, in plans and in runs, to 1e-12.
func TestEveryAtomIsSomewhere(t *testing.T) {
	plans, crossed := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		p, err := NewPlan(drawAnodeOrder(t))
		if err != nil {
			return // out of reach, as another test has it
		}
		plans++
		g := p.Goal
		all := p.Amount.Value + math.Abs(g.Anode.Value)
		if gap := p.Amount.Value - g.Deposit.Value - g.Anode.Value - g.Crossed.Value - g.Left.Value*p.Volume.Value; math.Abs(gap) > 1e-12*all {
			t.Fatalf("the plan loses %g of %g kg: %+v", gap, all, g)
		}
		for name, f := range map[string]matter.Figure{"charge": g.Charge, "time": g.Duration, "at the anode": g.Anode, "through the separator": g.Crossed, "left": g.Left} {
			if f.Skewed() && !(f.Value >= f.Low-1e-9*math.Abs(f.Value) && f.Value <= f.High+1e-9*math.Abs(f.Value)) {
				t.Fatalf("%s is out of its limits: %+v", name, f)
			}
		}
		for range rapid.IntRange(1, 20).Draw(t, "entries") {
			numbers := map[string]float64{}
			e := Entry{Kind: rapid.SampledFrom([]string{"", EntrySludge, EntryWeighing, EntryAssay, EntrySample}).Draw(t, "entry"), Numbers: numbers, Words: map[string]string{Electrode: "the anode"}}
			switch e.Kind {
			case EntrySludge:
				numbers[Mass], numbers[AssayRatio] = rapid.Float64Range(1e-6, 1e-3).Draw(t, "kg"), 0.5
			case EntryWeighing:
				numbers[MassBefore] = 0.1
				numbers[MassAfter] = 0.1 + rapid.Float64Range(-1e-3, 1e-3).Draw(t, "kg more")
			case EntryAssay:
				numbers[PerMass] = p.Standing(1).Concentration * rapid.Float64Range(0.9, 1.1).Draw(t, "factor")
			case EntrySample:
				numbers[LiquidVolume] = 1e-7
			default:
				seconds := rapid.Float64Range(1, 3600).Draw(t, "s")
				p.Model.Step(p.Conditions().Current.Value*seconds, seconds)
				p.Model.Correct(rapid.Float64Range(-50, 50).Draw(t, "C"))
				continue
			}
			if _, err := p.Book(e, Plain); err != nil {
				t.Fatal(err)
			}
			b := p.Balance()
			if b.Crossed > 0 {
				crossed++
			}
			all := b.Supplied + math.Abs(b.Unaccounted) + math.Abs(b.Anode)
			if gap := b.Supplied + b.Unaccounted - b.Deposit - b.Anode - b.Crossed - b.Bath - b.Samples; math.Abs(gap) > 1e-12*all {
				t.Fatalf("after %s the books lose %g of %g kg: %+v", e.Kind, gap, all, b)
			}
		}
		text, err := json.Marshal(p.Model.State())
		var s State
		if err != nil || json.Unmarshal(text, &s) != nil || s != p.Model.State() {
			t.Fatalf("the state does not come back: %s", text)
		}
	})
	if plans < 20 || crossed == 0 {
		t.Fatalf("only %d plans were made, and metal crossed in %d entries", plans, crossed)
	}
}

// TestWhatCrossesTheSeparator: of a cation, which the field drives back, the likeliest is nothing and the most the whole range: 5 % of 10 A·h are
// 0.05 × 36000 / (2 × 96485) × 65.38 = 0.610 g of zinc. Of a complex anion with two charges or more it is the middle of the range.
func TestWhatCrossesTheSeparator(t *testing.T) {
	o := zincOrder()
	o.Target = Target{Charge, given(36000)}
	o.Contents.Divided, o.Contents.Crossing = true, matter.Range{High: 0.05, Mark: matter.Assumed}
	p := mustPlan(t, o)
	if g := p.Goal; g.Crossed.Value != 0 || math.Abs(g.Crossed.High*1e3-0.610) > 0.001 || g.Left.Low >= g.Left.Value || p.Model.Step(36000, 12000) == 0 || p.Balance().Crossed != 0 {
		t.Errorf("%+v", g.Crossed)
	}
	o.Contents.Salts, o.Contents.Metal, o.Contents.Medium, o.Contents.Concentration = nil, "Zn", matter.Alkaline, given(60)
	p = mustPlan(t, o)
	p.Model.Step(36000, 12000)
	if half := p.Balance().Crossed * 1e3; math.Abs(half-0.305) > 0.001 || math.Abs(p.Goal.Crossed.Value*1e3-half) > 1e-9 {
		t.Errorf("%g g of zincate crossed", half)
	}
	o.Contents.Divided = false
	if p = mustPlan(t, o); p.Goal.Crossed.Value != 0 || p.Goal.Crossed.Skewed() || p.Crossing != (Uptake{}) {
		t.Errorf("undivided, %+v crosses", p.Goal.Crossed)
	}
}

// TestAnodeIsFound: 2 A for 3 h win 2 × 3 × 3600 / (2 × 96485) × 0.935 × 207.2 = 21.68 g of lead. What is weighed at the anode
// replaces the half of the charge that nobody knew; 10 g of dioxide hold 8.66 g of lead.
func TestAnodeIsFound(t *testing.T) {
	const hours, amperes = 3, 2.0
	run := func(entries ...Entry) *Plan {
		p := mustPlan(t, leadOrder())
		p.Model.Step(amperes*hours*3600, hours*3600)
		for _, e := range entries {
			v, err := p.Judge(e, Moment{Amperes: amperes})
			if err != nil || len(v.Against) > 0 {
				t.Fatalf("%+v: %v, %v", e, v.Against, err)
			}
			if _, err := p.Book(e, v.Outcome); err != nil {
				t.Fatal(err)
			}
		}
		return p
	}
	entry := func(kind string, numbers map[string]float64) Entry {
		return Entry{Kind: kind, Numbers: numbers, Words: map[string]string{Electrode: "anode"}}
	}
	weighed := entry(EntryWeighing, map[string]float64{Mass: 0.010})
	sludge := entry(EntrySludge, map[string]float64{Mass: 0.005})
	assay := func(left float64) Entry { return entry(EntryAssay, map[string]float64{PerMass: left}) }
	for _, tt := range []struct {
		name        string
		p           *Plan
		anode, left float64 // g
	}{
		{"nothing known", run(), 11.59, 60.57},
		{"weighed", run(weighed), 8.66, 63.50},
		{"weighed, and sludge beside", run(weighed, sludge), 12.99, 59.17},
		{"in the other order", run(sludge, weighed), 12.99, 59.17},
		{"before and after", run(entry(EntryWeighing, map[string]float64{MassBefore: 0.050}), entry(EntryWeighing, map[string]float64{MassAfter: 0.060})), 8.66, 63.50},
		{"less sludge than was reckoned with", run(sludge), 11.59, 60.57},
		{"more", run(entry(EntrySludge, map[string]float64{Mass: 0.020})), 17.32, 54.84},
		{"by a share", run(entry(EntrySludge, map[string]float64{Mass: 0.020, AssayRatio: 0.75})), 15.00, 57.16},
		{"weighed after an assay", run(assay(63), weighed), 8.66, 62.94}, // 63 g/L ± 1 %, weighed against the account
	} {
		b := tt.p.Balance()
		if math.Abs(b.Anode*1e3-tt.anode) > 0.01 || math.Abs(b.Bath*1e3-tt.left) > 0.02 {
			t.Errorf("%s: %.2f g at the anode, %.2f g left, want %g and %g", tt.name, b.Anode*1e3, b.Bath*1e3, tt.anode, tt.left)
		}
	}
	// The rest of the run goes on by what was found: 8.66 g in 6 A·h.
	p := run(weighed)
	p.Model.Step(amperes*3600, 3600)
	if got := p.Balance().Anode * 1e3; math.Abs(got-8.66*4/3) > 0.01 {
		t.Errorf("an hour later %.2f g are at the anode", got)
	}
	// An assay at either end of the range is none that contradicts, and tells of the anode, not of the deposit.
	for _, left := range []float64{49, 72.1} {
		if b := run(assay(left)).Model.Catholyte(); b.Confirmed() < 0.95*b.Won() {
			t.Errorf("an assay of %g g/L leaves %.3f of %.3f mol on the cathode", left, b.Confirmed(), b.Won())
		}
	}
	// What the anode took is half of 23.2 g over √3 doubtful.
	if p, weighed := run(), run(weighed); math.Abs(p.anodeDoubt(p.Model.Catholyte())*1e3-6.7) > 0.05 || weighed.anodeDoubt(weighed.Model.Catholyte())*1e3 > 1.5 {
		t.Errorf("± %g kg, weighed ± %g kg", p.anodeDoubt(p.Model.Catholyte()), weighed.anodeDoubt(weighed.Model.Catholyte()))
	}
	// What an assay took off the deposit comes back when the anode has less than it was given.
	if off, back := run(assay(72)), run(assay(72), entry(EntryWeighing, map[string]float64{Mass: 0})); !(back.Model.Catholyte().Confirmed() > off.Model.Catholyte().Confirmed()) {
		t.Errorf("%+v and then %+v", off.Model.Catholyte(), back.Model.Catholyte())
	}
	if area := run(entry(EntryElectrode, map[string]float64{CathodeArea: 0.5})).Model.State().Area; area != 1e-2 {
		t.Errorf("a new anode makes a cathode of %g m²", area)
	}
	for _, tt := range []struct {
		e     Entry
		words string
	}{
		{entry(EntryWeighing, map[string]float64{Mass: 0.030}), "the charge so far and the bath can account for 23.3 g"}, // 6 A·h × 3.865 g/A·h
		{entry(EntryWeighing, map[string]float64{MassBefore: 0.050, MassAfter: 0.040}), "is not possible"},
		{entry(EntrySludge, map[string]float64{Mass: 0.200}), "can account for"},
	} {
		p := run()
		v, err := p.Judge(tt.e, Moment{Amperes: amperes})
		if err != nil || v.Outcome != Held || !strings.Contains(strings.Join(v.Against, "; "), tt.words) {
			t.Errorf("%+v is %q against %q: %v", tt.e, v.Outcome, v.Against, err)
		}
	}
	if _, err := mustPlan(t, zincOrder()).Judge(entry(EntrySludge, map[string]float64{Mass: 0.001}), Moment{}); err == nil || !strings.Contains(err.Error(), "assay=30 %") {
		t.Errorf("sludge of unknown share: %v", err)
	}
}

// TestAnodeInTheRun: the watch comes to the plan's figures, pays no memory for it, and its taper ends at the target.
func TestAnodeInTheRun(t *testing.T) {
	o := leadOrder()
	o.Target.Value, o.Efficiency.MassTransfer = given(0.6), given(1e-5)
	p := mustPlan(t, o)
	g := p.Goal
	const steps = 1000
	for range steps {
		p.Model.Step(g.Charge.Value/steps, g.Duration.Value/steps)
	}
	b := p.Balance()
	if math.Abs(b.Deposit-g.Deposit.Value) > 1e-9*b.Supplied || math.Abs(b.Anode-g.Anode.Value) > 1e-9*b.Supplied {
		t.Errorf("the run has %+v, the plan %g and %g", b, g.Deposit.Value, g.Anode.Value)
	}
	if left, _ := p.Remaining(2); left > 1e-6*g.Charge.Value {
		t.Errorf("at its target %g C are left", left)
	}
	if n := testing.AllocsPerRun(100, func() { p.Model.Step(1e-3, 1e-3); p.Remaining(20) }); n != 0 {
		t.Errorf("a step allocates %g times", n)
	}
	was := p.Model.Catholyte().Anode()
	if p.Model.Correct(0.01 * g.Charge.Value); math.Abs(p.Model.Catholyte().Anode()/was-1.01) > 1e-5 {
		t.Errorf("1 %% more charge makes %.6f of the oxide", p.Model.Catholyte().Anode()/was)
	}
	if point, ok := p.At(0.3); !ok || math.Abs(point.Deposit/p.Amount.Value-0.3) > 1e-9 || math.Abs(point.Concentration-(0.7-0.3*0.5/0.935)*93.85) > 0.1 {
		t.Errorf("on the way: %+v", point)
	}
	p = mustPlan(t, o)
	settings, err := p.Programme(Taper{LoadRatio: 0.5, MaxCurrent: 2})
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range settings {
		p.Model.Step(s.Coulombs, s.Seconds)
	}
	if got := recovered(p); math.Abs(got-0.6) > 1e-9 {
		t.Errorf("the taper recovers %.6f", got)
	}
}

// TestFitBesideTheAnode: assays of a bath whose anode takes metal too tell the mass transfer that made them.
func TestFitBesideTheAnode(t *testing.T) {
	b := Batch{Valence: 2, Volume: 1e-3, Area: 1e-2, MassTransfer: 1e-5, Efficiency: 0.9, Anode: 0.1}
	mol, molar := 0.3, 0.2072
	var assays []Assay
	for i := range 6 {
		at := float64(i) * 3600
		won, lost := b.Take(mol, 3, at)
		assays = append(assays, Assay{Charge: 3 * at, Seconds: at, Concentration: matter.GivenFigure((mol-won-lost)*molar/b.Volume, 0)})
	}
	fit, err := FitTransfer(b, molar, assays, false)
	if err != nil || math.Abs(fit.MassTransfer.Value/1e-5-1) > 1e-3 {
		t.Errorf("%+v, %v", fit, err)
	}
}

// TestDoubtOfARange: the root mean square distance from the best value of what is rectangular (JCGM 100, 4.3.7 for the middle).
func TestDoubtOfARange(t *testing.T) {
	for _, of := range []struct {
		u    Uptake
		want float64
	}{{Uptake{}, 0}, {Uptake{0.5, 0, 1}, 0.5 / math.Sqrt(3)}, {Uptake{0, 0, 1}, 1 / math.Sqrt(3)}, {Uptake{1, 0, 1}, 1 / math.Sqrt(3)}} {
		if got := of.u.Doubt(); math.Abs(got-of.want) > 1e-12 {
			t.Errorf("%+v: %v, want %v", of.u, got, of.want)
		}
	}
}
