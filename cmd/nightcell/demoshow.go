package main

import (
	"cmp"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"

	"nightcell/configs/quantity"
	"nightcell/daemon/snapshot"
	"nightcell/drivers"
	"nightcell/drivers/simulated"
	"nightcell/integrate"
)

// inbox receives the demonstration's notices as a real webhook would.
type inbox struct {
	mu    sync.Mutex
	lines []string
	n     int
	told  []string // conditions that an alarm was raised for, each once, in the order of their first notices
}

// ServeHTTP takes one CloudEvent.
func (b *inbox) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	var event struct {
		Data struct {
			Subject   string `json:"subject"`
			Text      string `json:"text"`
			Repeat    int    `json:"repeat"`
			Kind      string `json:"kind"`
			Condition string `json:"condition"`
		} `json:"data"`
	}
	if err := json.NewDecoder(io.LimitReader(r.Body, 1<<20)).Decode(&event); err != nil {
		http.Error(w, "not a CloudEvent: "+err.Error(), http.StatusBadRequest)
		return
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.n++
	if c := event.Data.Condition; event.Data.Kind == "alarm" && !slices.Contains(b.told, c) {
		b.told = append(b.told, c)
	}
	line := event.Data.Subject + ". " + event.Data.Text
	if event.Data.Repeat > 0 {
		line = fmt.Sprintf("%s (reminder %d, not acknowledged)", event.Data.Subject, event.Data.Repeat)
	}
	b.lines = append(b.lines, line)
	w.WriteHeader(http.StatusNoContent)
}

// take returns what has come since the last call.
func (b *inbox) take() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	lines := b.lines
	b.lines = nil
	return lines
}

// demoSummary sets what was counted against what was truly delivered.
type demoSummary struct {
	RunDirectory        string   `json:"run_directory"`
	Speed               float64  `json:"speed"`
	DurationSeconds     float64  `json:"duration_seconds"`
	Readings            uint64   `json:"readings"`
	TargetCharge        float64  `json:"target_charge_coulombs"`
	CountedCharge       float64  `json:"counted_charge_coulombs"`
	ChargeUncertainty   float64  `json:"charge_standard_uncertainty_coulombs"`
	GapLow              float64  `json:"gap_charge_low_coulombs"`
	GapHigh             float64  `json:"gap_charge_high_coulombs"`
	TrueCharge          float64  `json:"true_charge_coulombs"`
	ChargeAgrees        bool     `json:"charge_agrees"`
	EstimatedDeposit    float64  `json:"estimated_deposit_grams"`
	TrueDeposit         float64  `json:"true_deposit_grams"`
	Energy              float64  `json:"energy_joules"`
	TrueEnergy          float64  `json:"true_energy_joules"`
	Scenario            string   `json:"scenario"`
	Expected            []string `json:"expected_conditions"`
	Told                []string `json:"notified_conditions"`
	NoticesReceived     int      `json:"notifications_received"`
	TargetReached       bool     `json:"target_reached"`
	OutputVerifiedOff   bool     `json:"output_verified_off"`
	EndedBecause        string   `json:"ended_because"`
	SpecificEnergyPerKg float64  `json:"specific_energy_joules_per_kilogram"`
}

// summarise reads the figures of the run that has ended.
func summarise(s *snapshot.Cell, speed float64) *demoSummary {
	return &demoSummary{
		RunDirectory: s.Run, Speed: speed, DurationSeconds: s.Elapsed.Seconds(), Readings: s.Reading.Count,
		TargetCharge: s.PlannedTarget, CountedCharge: s.Charge.CountedCoulombs,
		ChargeUncertainty: s.Charge.UncertaintyCoulombs, GapLow: s.Charge.GapLowCoulombs, GapHigh: s.Charge.GapHighCoulombs,
		EstimatedDeposit: s.Bath.DepositGrams, Energy: s.Charge.EnergyJoules, TargetReached: s.Charge.TargetReached,
		OutputVerifiedOff: s.OffVerified, EndedBecause: s.EndedWhy, SpecificEnergyPerKg: s.Charge.JoulesPerKilogram,
	}
}

// compare adds the truth. The counted charge agrees when the truth lies within its
// expanded uncertainty, k = 2, the gaps included.
func (d *demoSummary) compare(t simulated.Truth) {
	d.TrueCharge, d.TrueDeposit, d.TrueEnergy = t.Charge, t.DepositGrams, t.Energy
	d.ChargeAgrees = math.Abs(d.CountedCharge-d.TrueCharge) <= 2*d.ChargeUncertainty
}

// demoShow is what the demonstration prints: one live line on a terminal, else plain lines.
type demoShow struct {
	s        *shell
	flags    *demoFlags
	port     string
	dir      string
	before   string    // the run of the demonstration before in the same directory; "" if there is none
	notes    io.Writer // where words go: standard output carries the one object with --json
	log      io.Writer
	terminal bool
	width    int
	nextAt   float64 // part of the target at which the next plain line comes
	live     bool    // a live line stands unfinished
}

func newDemoShow(s *shell, f *demoFlags, port, dir string) *demoShow {
	d := &demoShow{s: s, flags: f, port: port, dir: dir, notes: s.out, width: pipedColumns}
	if f.json {
		d.notes = s.err
	} else {
		d.width, d.terminal = columns(s.out)
	}
	d.log = lineBreaker{d}
	return d
}

// lineBreaker keeps log lines off the live line.
type lineBreaker struct{ d *demoShow }

func (l lineBreaker) Write(p []byte) (int, error) {
	l.d.newline()
	return l.d.s.err.Write(p)
}

func (d *demoShow) newline() {
	if d.live {
		fmt.Fprintln(d.notes)
		d.live = false
	}
}

func (d *demoShow) begin(address string) {
	fmt.Fprintf(d.notes, "Simulated supply and zinc cell (invented data) on %s, clock %g times as fast.\n", d.port, d.flags.speed)
	fmt.Fprintf(d.notes, "Data in %s", d.dir)
	if address != "" {
		fmt.Fprintf(d.notes, ", page and metrics on http://%s/", address)
	}
	fmt.Fprintln(d.notes)
}

// notices prints what has come in on the demonstration's route.
func (d *demoShow) notices(lines []string) {
	for _, l := range lines {
		d.newline()
		fmt.Fprintf(d.notes, "notification  %s\n", l)
	}
}

// progress shows where the run is.
func (d *demoShow) progress(s *snapshot.Cell) {
	share := s.Charge.CountedCoulombs / s.Charge.TargetCoulombs
	if s.Charge.TargetReached {
		share = 1
	}
	line := progressLine(s, share, d.width)
	if d.terminal {
		fmt.Fprintf(d.s.out, "\r\x1b[K%s", line)
		d.live = true
		return
	}
	if share < d.nextAt {
		return
	}
	d.nextAt += 0.1
	fmt.Fprintln(d.notes, line)
}

// progressLine is the bar with the figures a person would look for.
func progressLine(s *snapshot.Cell, share float64, width int) string {
	figures := fmt.Sprintf(" %6.2f of %.2f A·h  %.3f V  %.3f A  %s  %.2f g  %s",
		s.Charge.CountedCoulombs/3600, s.Charge.TargetCoulombs/3600, s.Reading.Volts, s.Reading.Amperes,
		cmp.Or(shortModes[s.Reading.Mode], "--"), s.Bath.DepositGrams, timeToGo(s.Charge.SecondsToTarget))
	room := max(10, min(30, width-len([]rune(figures))-3))
	full := int(math.Round(math.Max(0, math.Min(1, share)) * float64(room)))
	return "[" + strings.Repeat("#", full) + strings.Repeat("-", room-full) + "]" + figures
}

// shortModes are the regulations as a front panel shows them.
var shortModes = map[drivers.Mode]string{drivers.ConstantCurrent: "CC", drivers.ConstantVoltage: "CV"}

func timeToGo(seconds float64) string {
	switch {
	case math.IsNaN(seconds) || math.IsInf(seconds, 0):
		return "no current"
	case seconds <= 0:
		return "done"
	case seconds > 100*3600:
		return "almost no current"
	}
	d := time.Duration(seconds * float64(time.Second)).Round(time.Minute)
	return fmt.Sprintf("%dh%02dm to go", int(d.Hours()), int(d.Minutes())%60)
}

// finish prints the summary and says whether the demonstration succeeded.
func (d *demoShow) finish(sum *demoSummary) error {
	d.newline()
	if d.flags.json {
		if err := printJSON(d.s.out, sum); err != nil {
			return err
		}
	} else {
		d.table(sum)
	}
	switch {
	case !sum.TargetReached:
		return fmt.Errorf("the target was not reached: %s", cmp.Or(sum.EndedBecause, "the night ended first"))
	case !sum.ChargeAgrees:
		return fmt.Errorf("the counted charge is off by %.3g C, more than its expanded uncertainty of %.3g C",
			sum.CountedCharge-sum.TrueCharge, 2*sum.ChargeUncertainty)
	}
	return nil
}

func (d *demoShow) table(sum *demoSummary) {
	w := d.s.out
	off := "NOT verified"
	if sum.OutputVerifiedOff {
		off = "verified by read-back"
	}
	fmt.Fprintf(w, "\nThe run ended after %.2f h: %s. Output off: %s. Notifications received: %d.\n",
		sum.DurationSeconds/3600, cmp.Or(sum.EndedBecause, "the night ended"), off, sum.NoticesReceived)
	if len(sum.Expected) > 0 {
		fmt.Fprintf(w, "Scenario %s: expected alarm %s; raised: %s.\n", sum.Scenario, strings.Join(sum.Expected, " or "), strings.Join(sum.Told, ", "))
	}
	fmt.Fprintln(w)
	fmt.Fprintf(w, "%-10s %22s %16s\n", "", "counted", "truly")
	fmt.Fprintf(w, "%-10s %21s %16.3f A·h  (k = %d; target %.3f A·h)\n", "charge",
		quantity.WithDoubt(sum.CountedCharge/3600, integrate.CoverageFactor*sum.ChargeUncertainty/3600), sum.TrueCharge/3600, integrate.CoverageFactor, sum.TargetCharge/3600)
	fmt.Fprintf(w, "%-10s %21.2f %16.2f W·h\n", "energy", sum.Energy/3600, sum.TrueEnergy/3600)
	fmt.Fprintf(w, "%-10s %21.2f %16.2f g   (estimated at the stated current efficiency)\n", "deposit", sum.EstimatedDeposit, sum.TrueDeposit)
	fmt.Fprintf(w, "\nRun log: %s\nCheck it with: nightcell verify %s\n", sum.RunDirectory, sum.RunDirectory)
}
