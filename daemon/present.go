package daemon

import (
	"fmt"
	"math"
	"strings"

	"nightcell/daemon/page/sentence"
	"nightcell/daemon/snapshot"
)

// present are the figures of a cell's newest snapshot, nil before the first, named as in a notice, for what is told without a change of
// an alarm: reminders, escalations, drills. Any goroutine may ask.
func (d *Daemon) present(s *snapshot.Cell) map[string]float64 {
	if s == nil {
		return nil
	}
	all := map[string]float64{
		"target_charge_coulombs": s.Charge.TargetCoulombs, "deposit_kilograms": s.Bath.DepositGrams / 1e3,
	}
	if s.Run != "" {
		all["charge_coulombs"], all["charge_standard_uncertainty_coulombs"] = s.Charge.CountedCoulombs, s.Charge.UncertaintyCoulombs
		all["energy_joules"] = s.Charge.EnergyJoules
	}
	if !s.Reading.At.IsZero() {
		all["reading_volts"], all["reading_amperes"] = s.Reading.Volts, s.Reading.Amperes
		all["reading_age_seconds"] = max(0, d.o.Clock.Now()-s.Reading.Mono).Seconds()
	}
	for name, v := range all {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			delete(all, name)
		}
	}
	return all
}

// standingWords tells which alarms stand at this moment, and how old each is.
func standingWords(s *snapshot.Cell) string {
	if s == nil {
		return "No data from the cell yet."
	}
	var standing []string
	for _, a := range s.Alarms {
		if a.State.Active() {
			standing = append(standing, fmt.Sprintf("%s for %s", a.Condition, sentence.Span(s.At.Sub(a.Since))))
		}
	}
	if len(standing) == 0 {
		return "No alarm is active."
	}
	return "Active now: " + strings.Join(standing, ", ") + "."
}
