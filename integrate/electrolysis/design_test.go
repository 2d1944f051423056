package electrolysis

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"nightcell/integrate/matter"
	"nightcell/integrate/solution"
)

// A warm bath conducts better: salts by about 2 % per kelvin, acid by about 1 % (common practice, no source: 1.5 to 2 % for baths of both); hydrogen and
// oxygen need less overpotential; copper in a refining bath moves 1.73 times as fast at 65 as at 40 °C (Hydrometallurgy 56 (2000) 255, abstract, 19.2 kJ/mol).
func TestWarmBath(t *testing.T) {
	for acid, low := range map[float64]float64{0: 0.018, 2000: 0.009} {
		cold, warm := AssumedConductivity(matter.Sulfate, acid, matter.RoomTemperature), AssumedConductivity(matter.Sulfate, acid, matter.RoomTemperature+10)
		if rise := (warm.Best/cold.Best - 1) / 10; rise < low || rise > low+0.006 {
			t.Errorf("with %g mol/m3 of acid the conductivity rises by %.4f per kelvin", acid, rise)
		}
	}
	if got := solution.Diffusion(0, 338.15) / solution.Diffusion(0, 313.15); math.Abs(got/1.73-1) > 0.2 {
		t.Errorf("copper moves %.2f times as fast", got)
	}
	zinc, _ := FindSurface("zinc")
	if fall := (zinc.Overpotential(500, 298.15) - zinc.Overpotential(500, 318.15)) / 20; fall < 0.5e-3 || fall > 4e-3 {
		t.Errorf("hydrogen on zinc: %g V per kelvin", fall)
	}
	if cold, warm := anodeOverpotential("lead", Oxygen, 400, 298.15), anodeOverpotential("lead", Oxygen, 400, 318.15); !(warm.Best < cold.Best && warm.Best > cold.Best-0.1) {
		t.Errorf("oxygen on lead: %v, %v", cold, warm)
	}
}

// A bath held warmer than its own heat keeps it needs the difference from a heater, and none where it settles above.
func TestHeater(t *testing.T) {
	c := zincCell(t)
	c.Temperature = matter.GivenFigure(338.15, 1)
	a, err := Assess(c)
	if err != nil {
		t.Fatal(err)
	}
	h := a.Heat
	vessel := Vessel{Volume: c.Volume.Value + a.Conditions.Anolyte.Value, OpenArea: a.Conditions.OpenArea.Value}
	if want := vessel.HeatLoss(338.15, a.Conditions.Ambient.Value) - h.Power.Value; !h.Heater.Known() || math.Abs(h.Heater.Value-want) > 1e-9 || want < 10 {
		t.Errorf("%+v, want %g W", h.Heater, want)
	}
	if text := strings.Join(a.Cautions, "\n"); !strings.Contains(text, "asks for a heater of about") {
		t.Error(text)
	}
	c.Temperature = matter.GivenFigure(298.15, 1)
	if a, _ := Assess(c); a.Heat.Heater.Known() {
		t.Errorf("25 °C needs a heater of %g W", a.Heat.Heater.Value)
	}
}

func TestLeads(t *testing.T) {
	// Common practice, no source: 0.75 mm² 6 A, 1.0 10 A, 1.5 16 A, 2.5 20 A.
	for current, square := range map[float64]float64{3: 0.75, 6: 0.75, 8: 1, 16: 1.5, 20: 2.5} {
		lead, err := LeadFor(current, 0.3, 0)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "mm²", lead.CrossSection*1e6, square, 1e-9)
	}
	long, err := LeadFor(10, 5, 0.25)
	if err != nil || long.Drop > 0.25 || long.CrossSection <= 1e-6 {
		t.Errorf("5 m at 10 A and 0.25 V: %+v, %v", long, err)
	}
	near(t, "heat of a lead is drop times current", long.Heat, long.Drop*10, 1e-12)
	for _, bad := range [][3]float64{{0, 1, 0}, {1, 0, 0}, {1, 1, -1}, {math.NaN(), 1, 0}, {500, 1, 0}, {10, 100, 0.01}} {
		if _, err := LeadFor(bad[0], bad[1], bad[2]); err == nil {
			t.Errorf("%v: no error", bad)
		}
	}
	for current, clips := range map[float64]int{3: 1, 8: 2, 15: 3, 40: 0} {
		if got := ClipFor(current); got.Clips != clips || got.Advice == "" {
			t.Errorf("%v A: %+v, want %d clips", current, got, clips)
		}
	}
}

func pilot() Pilot {
	return Pilot{MetalMass: 0.040, Duration: 10 * 3600, Volume: 0.9e-3, CathodeArea: 60e-4, Current: 3, CellVolts: 3.3, Heat: 4}
}

func TestScaleUp(t *testing.T) {
	s, err := ScaleUp(pilot(), 0.4, ScaleLimits{Current: 10})
	if err != nil {
		t.Fatal(err)
	}
	if s.Batches != 3 || s.Cells != 1 {
		t.Errorf("30 A by a supply of 10 A are 3 batches of one cell, got %d of %d", s.Batches, s.Cells)
	}
	near(t, "current, the limit just met", s.Current, 10, 1e-12)
	near(t, "time, same current density and depth", s.TotalDuration, 3*36000, 1e-9)
	series, err := ScaleUp(pilot(), 0.4, ScaleLimits{Current: 10, Cells: 4})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "four cells share the current", series.Current, 7.5, 1e-12)
	near(t, "and add their volts", series.StringVolts, 13.2, 1e-12)
	near(t, "metal is charge times cells", series.MetalCharge, 4*series.TotalCharge, 1e-6)

	rapid.Check(t, func(t *rapid.T) {
		mass := rapid.Float64Range(0.001, 100).Draw(t, "mass")
		limits := ScaleLimits{
			Current: rapid.SampledFrom([]float64{0, 5, 30, 200}).Draw(t, "current"), Volume: rapid.SampledFrom([]float64{0, 0.01, 1}).Draw(t, "volume"),
			Area: rapid.SampledFrom([]float64{0, 0.05, 2}).Draw(t, "area"), Cells: rapid.IntRange(0, 6).Draw(t, "cells"),
		}
		s, err := ScaleUp(pilot(), mass, limits)
		if err != nil {
			t.Fatal(err)
		}
		cells := float64(s.Cells)
		same := func(what string, got, want float64) {
			if math.Abs(got/want-1) > 1e-9 {
				t.Fatalf("%s: %v, want %v", what, got, want)
			}
		}
		same("current density", s.Current/s.CathodeArea, 3/60e-4)
		same("mass", s.BatchMass*float64(s.Batches), mass)
		same("area per volume", s.CathodeArea/s.Volume, 60e-4/0.9e-3)
		same("metal per charge", mass/s.MetalCharge, 0.040/(3*36000))
		same("heat per volume", s.Heat/s.Volume, s.HeatPerVolume)
		const slack = 1 + 1e-8
		if limits.Current > 0 && s.Current > limits.Current*slack || limits.Volume > 0 && s.Volume*cells > limits.Volume*slack ||
			limits.Area > 0 && s.CathodeArea*cells > limits.Area*slack {
			t.Fatalf("over a limit: %+v with %+v", s, limits)
		}
	})
}

func TestScaleUpMistakes(t *testing.T) {
	_, err := ScaleUp(Pilot{MetalMass: -1, Heat: math.NaN()}, 0, ScaleLimits{Area: -1})
	if err == nil {
		t.Fatal("no error")
	}
	for _, want := range []string{"mass wanted", "pilot metal mass", "pilot duration", "pilot volume", "pilot cathode area", "pilot current", "pilot cell voltage", "limit of area", "pilot heat"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("the error does not name %q: %v", want, err)
		}
	}
}
