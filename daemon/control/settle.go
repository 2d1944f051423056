package control

import (
	"slices"
	"strconv"

	"nightcell/configs/quantity"
	"nightcell/daemon/runlog"
)

// ParseSettlement reads gap with low, best and high, or with off.
func ParseSettlement(values map[string]string) (Settlement, error) {
	var out Settlement
	form := "write it as: settle gap=0 \"low=0 C\" \"best=300 C\" \"high=310 C\", or as: settle gap=0 off=02:10"
	for name := range values {
		if !slices.Contains([]string{"gap", "low", "best", "high", "off"}, name) {
			return out, BadRequest("a settlement has no %q; %s", name, form)
		}
	}
	index, err := strconv.Atoi(values["gap"])
	if err != nil || index < 0 {
		return out, BadRequest("gap %q is not a gap number; %s", values["gap"], form)
	}
	out.Gap, out.Off = index, values["off"]
	if out.Off != "" {
		if len(values) > 2 {
			return out, BadRequest("give off or low, best and high, not both; %s", form)
		}
		return out, nil
	}
	for _, f := range []struct {
		name string
		to   *float64
	}{{"low", &out.LowCoulombs}, {"best", &out.BestCoulombs}, {"high", &out.HighCoulombs}} {
		if *f.to, err = quantity.Parse(quantity.Charge, values[f.name]); err != nil {
			return out, BadRequest("%s: %w; %s", f.name, err, form)
		}
	}
	if !(out.LowCoulombs <= out.BestCoulombs && out.BestCoulombs <= out.HighCoulombs) {
		return out, BadRequest("low, best and high must be in ascending order")
	}
	return out, nil
}

// Entry is a settlement by charges as an entry of the run, for a log that no watch writes.
func (s Settlement) Entry() Entry {
	return Entry{Cell: s.Cell, By: s.By, Text: s.Text, Kind: runlog.EntrySettle, Trial: s.Trial,
		Numbers: map[string]float64{"index": float64(s.Gap), "low": s.LowCoulombs, "best": s.BestCoulombs, "high": s.HighCoulombs}}
}
