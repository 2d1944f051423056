package alerts_test

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"
	"unsafe"

	"nightcell/alerts"
)

// TestEveryConditionIsRaisedWithWords makes each condition hold and reads its text.
// The conditions that only a cell's course over hours shows are in the fire drill.
func TestEveryConditionIsRaisedWithWords(t *testing.T) {
	tests := map[alerts.Condition]struct {
		bad  func(*alerts.Observation)
		says []string
	}{
		alerts.OffFailed:         {func(o *alerts.Observation) { o.OffFailed = true }, []string{"commanded off", "3 A"}},
		alerts.PortShared:        {func(o *alerts.Observation) { o.SharedWith = "prober (process 4711)" }, []string{"missing", "also open in prober (process 4711)"}},
		alerts.LineLost:          {func(o *alerts.Observation) { o.LineLost, o.Gap = 3*time.Second, 3*time.Second }, []string{"lost", "for 3 s", "range"}},
		alerts.SupplySilent:      {func(o *alerts.Observation) { o.HasReading, o.Silence = false, time.Minute }, []string{"no good answer", "60 s"}},
		alerts.MainsInterruption: {func(o *alerts.Observation) { o.Restarted, o.Output = true, alerts.OutputIsOff }, []string{"losing power", "output off", "never switches it on"}},
		alerts.ProtectionTripped: {func(o *alerts.Observation) { o.Tripped = "over-temperature" }, []string{"over-temperature"}},
		alerts.OutputOff:         {func(o *alerts.Observation) { o.Output, o.Amperes = alerts.OutputIsOff, 0 }, []string{"output is off"}},
		alerts.SetPointsChanged:  {func(o *alerts.Observation) { o.SetAmperes = 2 }, []string{"2", "instead of 3"}},
		alerts.MeterSilent: {func(o *alerts.Observation) { o.Meter = alerts.Meter{Name: "shunt (port gone)", Silence: time.Minute} },
			[]string{"from meter shunt (port gone) for 60 s", "supply's readings count"}},
		alerts.MeterDisagrees: {func(o *alerts.Observation) {
			o.Meter = alerts.Meter{Unit: "A", Shows: 2.85, Supply: 3.06, Apart: 0.21, Allowed: 0.1}
		},
			[]string{"the meter shows 2.85 A and the supply 3.06 A", "0.21 A apart", "allow 0.1 A"}},
		alerts.HardShort:                 {func(o *alerts.Observation) { o.Volts = 0.3 }, []string{"0.3 V", "1.69 V", "bridging"}},
		alerts.LeadOff:                   {func(o *alerts.Observation) { o.Amperes, o.Volts = 0, 6 }, []string{"output on at 6 V", "lead or clip is off"}},
		alerts.OverCurrent:               {func(o *alerts.Observation) { o.Amperes = 3.5 }, []string{"3.5 A", "3.3 A"}},
		alerts.CurrentDensity:            {func(o *alerts.Observation) { o.Amperes = 3.25 }, []string{"5.42 A/dm²", "5.2 A/dm²"}},
		alerts.OverVoltage:               {func(o *alerts.Observation) { o.Volts = 6.5 }, []string{"6.5 V", "6 V"}},
		alerts.ModeFlip:                  {func(o *alerts.Observation) { o.Mode = alerts.ConstantVoltage }, []string{"constant voltage", "constant current"}},
		alerts.VoltageLimit:              {func(o *alerts.Observation) { o.Volts = 5.95 }, []string{"5.95 V", "6 V"}},
		alerts.Depletion:                 {func(o *alerts.Observation) { o.LimitingRatio = 1.2 }, []string{"120 %", "for zinc this barely shows in voltage or current"}},
		alerts.GasVentilation:            {func(o *alerts.Observation) { o.AirNeeded, o.AirStated, o.Gas = 1e-3, 1e-4, "hydrogen" }, []string{"hydrogen", "3.6 m³/h", "0.36 m³/h"}},
		alerts.GapTooLong:                {func(o *alerts.Observation) { o.Gap = 10 * time.Minute }, []string{"10 min", "range"}},
		alerts.UncertaintyLarge:          {func(o *alerts.Observation) { o.ChargeUncertainty = 36000 }, []string{"±20 A·h", "277.8 A·h"}},
		alerts.ChargeBehind:              {func(o *alerts.Observation) { o.PlanCharge = 1e5 }, []string{"27.5 A·h behind"}},
		alerts.ChargeAhead:               {func(o *alerts.Observation) { o.Charge = 1e5 }, []string{"27.5 A·h ahead"}},
		alerts.TargetNear:                {func(o *alerts.Observation) { o.Charge, o.PlanCharge = 998200, 998200 }, []string{"10 min to the target"}},
		alerts.TargetReached:             {func(o *alerts.Observation) { o.Charge, o.PlanCharge, o.Deposit = 1e6, 1e6, 0.3 }, []string{"277.8 A·h counted; the target was 277.8 A·h", "300 g"}},
		alerts.TimeLimit:                 {func(o *alerts.Observation) { o.Elapsed = 17 * time.Hour }, []string{"17.0 h"}},
		alerts.MarginalEnergy:            {func(o *alerts.Observation) { o.MarginalJoules = 3.6e8 }, []string{"100 W·h", "50 W·h"}},
		alerts.LogDisk:                   {func(o *alerts.Observation) { o.LogFree = 5e6 }, []string{"5 MB"}},
		alerts.LogAltered:                {func(o *alerts.Observation) { o.LogAltered = "the run log was removed" }, []string{"the run log was removed"}},
		alerts.PushBehind:                {func(o *alerts.Observation) { o.Outside = alerts.Outside{PushLag: 3 * time.Hour, Push: "lab"} }, []string{"push lab is 3.0 h"}},
		alerts.NotificationUndeliverable: {func(o *alerts.Observation) { o.Outside = alerts.Outside{DeliveryLag: time.Hour, Route: "telephone"} }, []string{"60 min for route telephone"}},
	}
	inTheDrill := []alerts.Condition{alerts.ReadingFrozen, alerts.AnodePassivation, alerts.ThermalRunaway, alerts.Whisker,
		alerts.Contact, alerts.StirrerStopped, alerts.OhmicRise, alerts.VoltageDrift}
	if len(tests)+len(inTheDrill) != len(alerts.Conditions()) {
		t.Errorf("%d conditions here and %d in the drill, of %d", len(tests), len(inTheDrill), len(alerts.Conditions()))
	}
	figures := map[alerts.Condition]string{ // the one of each for a subject line
		alerts.OffFailed: "3 A", alerts.SupplySilent: "60 s", alerts.MeterSilent: "60 s", alerts.MeterDisagrees: "2.85 A by the meter, 3.06 A by the supply", alerts.MainsInterruption: "output off", alerts.ProtectionTripped: "over-temperature",
		alerts.SetPointsChanged: "now 6 V and 2 A", alerts.HardShort: "0.3 V at 3 A", alerts.LeadOff: "0 A at 6 V", alerts.OverCurrent: "3.5 A",
		alerts.CurrentDensity: "5.42 A/dm²", alerts.OverVoltage: "6.5 V", alerts.ModeFlip: "constant voltage", alerts.VoltageLimit: "5.95 V",
		alerts.Depletion: "120 % of the limiting current", alerts.GasVentilation: "3.6 m³/h of air needed", alerts.GapTooLong: "10 min",
		alerts.UncertaintyLarge: "±20 A·h", alerts.ChargeBehind: "27.5 A·h", alerts.ChargeAhead: "27.5 A·h", alerts.TargetNear: "in about 10 min",
		alerts.TargetReached: "277.8 A·h", alerts.TimeLimit: "17.0 h", alerts.MarginalEnergy: "100 W·h/g", alerts.LogDisk: "5 MB free",
		alerts.PushBehind: "lab, 3.0 h", alerts.NotificationUndeliverable: "telephone, 60 min",
	}
	for c, tt := range tests {
		t.Run(c.String(), func(t *testing.T) {
			l, chem := zinc()
			l.AmperesPerSquareMetre, l.CathodeSquareMetres = 520, 60e-4
			l.Run, l.MarginalEnergy = 16*time.Hour, 1.8e8
			b := alerts.NewBoard(l, chem)
			o := healthy()
			raise := func(n int) (got []alerts.Change) {
				for range n {
					o.At += time.Second
					o.UTC = o.UTC.Add(time.Second)
					got = append(got, b.Judge(&o)...)
				}
				return got
			}
			if got := raise(300); len(got) != 0 {
				t.Fatalf("a healthy cell changes something: %+v", got)
			}
			tt.bad(&o)
			got := only(raise(400), c)
			if len(got) == 0 || got[0].State != alerts.UNACK {
				t.Fatalf("not raised: %+v", got)
			}
			for _, s := range tt.says {
				if !strings.Contains(strings.ToLower(got[0].Text), strings.ToLower(s)) {
					t.Errorf("text %q does not say %q", got[0].Text, s)
				}
			}
			if got[0].Figure != figures[c] {
				t.Errorf("figure %q, want %q", got[0].Figure, figures[c])
			}
			if got[0].Meaning == "" || got[0].Action == "" {
				t.Errorf("no meaning or action: %+v", got[0])
			}
		})
	}
}

// TestMeaningKnowsTheMetal: what a stop means depends on what the bath does to the deposit.
func TestMeaningKnowsTheMetal(t *testing.T) {
	for metal, want := range map[string]string{"zinc": "attacks the zinc", "nickel": "may peel"} {
		l, c := zinc()
		c.Metal, c.RedissolvesOff, c.SpoiledByPause = metal, metal == "zinc", metal == "nickel"
		c.InterruptionLimit = 30 * time.Second
		r := newRig(t)
		r.b = alerts.NewBoard(l, c)
		r.run(time.Minute)
		r.o.Output, r.o.Amperes = alerts.OutputIsOff, 0
		got := only(r.run(time.Minute), alerts.OutputOff)
		if len(got) != 1 || !strings.Contains(got[0].Meaning, want) || !strings.Contains(got[0].Meaning, "30 s") {
			t.Errorf("%s: %+v", metal, got)
		}
	}
}

func TestBlindSaysWhatCannotBeSeen(t *testing.T) {
	l, c := zinc()
	c.FloorVolts = math.NaN()
	b := alerts.NewBoard(l, c)
	o := healthy()
	o.Mode, o.SetVolts, o.SetAmperes = alerts.ModeUnknown, math.NaN(), math.NaN()
	for range 30 * 60 {
		o.At += time.Second
		b.Judge(&o) // never a changed digit
	}
	says := strings.Join(b.Blind(), "\n")
	for _, want := range []string{"pH", "For zinc", "No minimum voltage", "being learned", "CC or CV", "set-point"} {
		if !strings.Contains(says, want) {
			t.Errorf("it does not say %q:\n%s", want, says)
		}
	}
	c.Metal, c.DepletionVisible = "copper", true
	if says := strings.Join(alerts.NewBoard(l, c).Blind(), "\n"); !strings.Contains(says, "depletion shows") {
		t.Errorf("copper: %s", says)
	}
}

// TestQuietReadingsAllocateNothing, block ends and settling of the corridor included.
func TestQuietReadingsAllocateNothing(t *testing.T) {
	b := alerts.NewBoard(zinc())
	o := healthy()
	step := func() {
		o.At += time.Second
		o.Volts += 0.0005 * (2*math.Mod(o.At.Seconds(), 2) - 1)
		b.Judge(&o)
	}
	for range 4000 {
		step()
	}
	if n := testing.AllocsPerRun(1000, step); n != 0 {
		t.Errorf("%g allocations a reading", n)
	}
}

// TestMemoryIsBounded: a few tens of KiB a cell, in memory and in a checkpoint, after
// a night in which everything happened.
func TestMemoryIsBounded(t *testing.T) {
	l, c := zinc()
	b := alerts.NewBoard(l, c)
	n := newNight(8, 5*time.Second)
	n.watch(b, 12*time.Hour, 3*time.Hour, func(h float64, n *night, o *alerts.Observation, _ *float64) {
		if n.random.IntN(5) == 0 {
			o.Volts *= n.random.Float64()
			o.Amperes = 4 * n.random.Float64()
		}
	}, func(alerts.Change) {})
	data, err := json.Marshal(b.State())
	if err != nil {
		t.Fatal(err)
	}
	size := unsafe.Sizeof(alerts.Board{})
	t.Logf("%d bytes in memory, %d bytes of JSON", size, len(data))
	if size > 40<<10 || len(data) > 40<<10 {
		t.Errorf("%d bytes in memory, %d bytes of JSON; at most 40 KiB", size, len(data))
	}
}

// TestAnOffThatNobodyAnswersIsSaidSo, without a figure that there is none of.
func TestAnOffThatNobodyAnswersIsSaidSo(t *testing.T) {
	r := newRig(t)
	r.run(time.Minute)
	r.o.HasReading, r.o.Volts, r.o.Amperes, r.o.OffFailed = false, math.NaN(), math.NaN(), true
	got := only(r.run(time.Second), alerts.OffFailed)
	if len(got) != 1 || strings.Contains(got[0].Text, "NaN") || !strings.Contains(got[0].Text, "nothing answers") {
		t.Errorf("%+v", got)
	}
}

// TestLeadsHideNoLimit: the supply's own volts stand at their set-point, whatever the cell gets behind long leads.
func TestLeadsHideNoLimit(t *testing.T) {
	for _, mode := range []alerts.Mode{alerts.ConstantCurrent, alerts.ModeUnknown} {
		r := newRig(t)
		r.o.Mode = mode
		r.run(5 * time.Minute)
		r.o.Volts, r.o.OwnVolts = 5.5, 5.95
		if got := only(r.run(5*time.Minute), alerts.VoltageLimit); len(got) == 0 || got[0].State != alerts.UNACK || !strings.Contains(got[0].Text, "5.95 V") {
			t.Errorf("%v: %+v", mode, got)
		}
		r.o.Volts, r.o.OwnVolts, r.o.Amperes, r.o.OwnAmperes = 5.5, 6, 2.5, 2.55
		if got := only(r.run(5*time.Minute), alerts.ModeFlip); mode == alerts.ModeUnknown && len(got) == 0 {
			t.Error("nobody says that the supply holds its voltage")
		}
	}
}
