package main

import (
	"math"
	"strings"

	"nightcell/configs/quantity"
	"nightcell/integrate/bath"
	"nightcell/integrate/matter"
)

// planReport collects the answer key by key, with the mark of each figure beside it.
type planReport struct {
	values map[string]any
	marks  map[string]string
}

func (r *planReport) put(key string, value float64, mark matter.Mark) {
	r.values[key] = quantity.Maybe(value)
	if mark != matter.Unmarked {
		r.marks[key] = mark.String()
	}
}

// figure adds a known figure times a factor.
func (r *planReport) figure(key string, f matter.Figure, factor float64) {
	if f.Known() {
		r.put(key, f.Value*factor, f.Mark)
	}
}

// doubted adds a known figure and its standard uncertainty. unit ends both keys.
func (r *planReport) doubted(key, unit string, f matter.Figure, factor float64) {
	if f.Known() {
		r.put(key+"_"+unit, f.Value*factor, f.Mark)
		r.put(key+"_standard_uncertainty_"+unit, f.StandardUncertainty*factor, matter.Unmarked)
	}
}

// planJSON is the plan as one object: snake_case keys with the unit last, and under
// "marks" where each figure comes from.
func planJSON(p *planned, x extras) map[string]any {
	r := planReport{values: map[string]any{}, marks: map[string]string{}}
	plan, g := p.plan, p.plan.Goal
	r.values["cell"] = p.cell.Name
	r.values["metal"] = plan.Metal.String()
	r.values["valence"] = plan.Valence
	r.values["medium"] = string(plan.Medium)
	r.values["target_form"] = p.cell.Target.Form
	r.doubted("metal_in_bath", "grams", plan.Amount, inGrams)
	r.doubted("bath_volume", "cubic_metres", plan.Volume, 1)
	r.figure("theoretical_charge_coulombs", g.Theoretical, 1)
	r.doubted("target_charge", "coulombs", g.Charge, 1)
	r.put("target_charge_low_coulombs", g.Low, g.Charge.Mark)
	r.put("target_charge_high_coulombs", g.High, g.Charge.Mark)
	r.doubted("duration", "seconds", g.Duration, 1)
	r.doubted("deposit", "grams", g.Deposit, inGrams)
	r.doubted("recovered", "ratio", g.Recovered, 1)
	r.doubted("remaining_concentration", "kilograms_per_cubic_metre", g.Left, 1)
	r.doubted("efficiency", "ratio", plan.Efficiency, 1)
	r.doubted("mass_transfer", "metres_per_second", plan.MassTransfer, 1)
	r.put("overall_efficiency_ratio", g.Overall, g.Charge.Mark)
	r.put("marginal_efficiency_ratio", g.Marginal, g.Charge.Mark)
	if plan.MassTransfer.Known() {
		r.put("critical_concentration_kilograms_per_cubic_metre", g.Critical, g.Charge.Mark)
		r.put("limiting_current_share_begin_ratio", g.RatioBegin, g.Charge.Mark)
		r.put("limiting_current_share_end_ratio", g.RatioEnd, g.Charge.Mark)
		r.values["deposit_quality_end"] = bath.QualityAt(g.RatioEnd).Word
	}
	r.values["budget"] = budgetJSON(g.Budget)
	r.values["other_metals"] = p.othersJSON()
	r.doubted("chloride", "moles_per_cubic_metre", plan.Chloride, 1)
	r.stop(plan)
	r.assessment(p)
	r.values["notes"] = append(append([]string{}, p.cellNote...), plan.Notes...)
	r.values["cautions"] = p.cautions()
	r.values["answer"] = p.sentences()
	r.values["sensitivity"] = sensitivityJSON(plan)
	r.values["marks"] = r.marks
	if x.scaled != nil {
		r.values["scaled"] = scaledJSON(x.scaled)
	}
	if x.taper != nil {
		r.values["taper"] = taperJSON(x.taper)
	}
	if len(x.compared) > 0 {
		var compared []map[string]any
		for _, q := range x.compared {
			one := planJSON(q, extras{})
			one["compared"] = q.name
			compared = append(compared, one)
		}
		r.values["compared"] = compared
	}
	return r.values
}

func (r *planReport) stop(plan *bath.Plan) {
	stop := plan.Metal.Stop(plan.Medium)
	r.values["safe_state"] = string(stop.State)
	r.values["safe_state_unattended"] = string(stop.Unattended)
	r.marks["safe_state"] = stop.Mark.String()
	r.figure("interruption_tolerance_seconds", plan.Metal.Interrupt.Tolerance, 1)
	r.values["depletion_visible"] = plan.Metal.Depletion.Visible
}

// assessment adds what is known only with current and area.
func (r *planReport) assessment(p *planned) {
	a := p.assessed
	if a == nil {
		return
	}
	r.figure("current_amperes", a.Conditions.Current, 1)
	r.figure("cathode_area_square_metres", a.Conditions.CathodeArea, 1)
	r.figure("cathode_current_density_amperes_per_square_metre", a.CathodeDensity, 1)
	r.figure("anode_current_density_amperes_per_square_metre", a.AnodeDensity, 1)
	r.figure("metal_potential_volts", a.Plating.Metal, 1)
	r.figure("hydrogen_potential_volts", a.Plating.Hydrogen, 1)
	r.figure("hydrogen_overpotential_volts", a.Plating.Overpotential, 1)
	r.figure("plating_margin_volts", a.Plating.Margin, 1)
	r.figure("hydroxide_ph", a.Plating.HydroxidePH, 1)
	r.put("floor_volts", a.Floor.Metal, a.Floor.Mark)
	r.put("reversible_expected_volts", a.Floor.Expected, a.Floor.Mark)
	r.figure("cell_volts", a.Conditions.CellVolts, 1)
	r.put("expected_low_volts", a.Voltage.Low, a.Voltage.Mark)
	r.put("expected_volts", a.Voltage.Best, a.Voltage.Mark)
	r.put("expected_high_volts", a.Voltage.High, a.Voltage.Mark)
	for _, gas := range a.Gas {
		name := gas.Gas.String()
		r.figure(name+"_worst_case_litres_per_hour", gas.Worst, inLitresPerHour)
		r.figure(name+"_expected_litres_per_hour", gas.Rate, inLitresPerHour)
		r.figure(name+"_total_litres", gas.Total, 1e3)
	}
	r.figure("hydrogen_at_end_litres_per_hour", p.hydrogenAtEnd(), inLitresPerHour)
	r.figure("ventilation_cubic_metres_per_hour", a.Air.Needed, inPerHour)
	r.figure("ventilation_battery_room_cubic_metres_per_hour", a.Air.BatteryRoom, inPerHour)
	r.figure("ventilation_quarter_limit_cubic_metres_per_hour", a.Air.QuarterFlammable, inPerHour)
	r.figure("chlorine_dilution_cubic_metres_per_hour", a.Air.ChlorineDilution, inPerHour)
	r.figure("hydrogen_one_percent_seconds", a.Air.HydrogenTime, 1)
	r.figure("chlorine_half_ppm_seconds", a.Air.ChlorineTime, 1)
	r.acid("", a.Acid.Bath.Value, a.Acid.Bath.Mark, p.plan.Medium)
	if p.cell.Electrodes.Divided() {
		r.values["anolyte_medium"] = string(a.Conditions.AnolyteMedium)
		r.acid("anolyte_", a.Acid.Anolyte.Best, a.Acid.Anolyte.Mark, a.Conditions.AnolyteMedium)
		r.acid("catholyte_", -a.Acid.Catholyte.Best, a.Acid.Catholyte.Mark, p.plan.Medium)
	}
	r.figure("water_split_grams", a.Water.Split, inGrams)
	r.put("water_evaporated_grams", a.Water.Evaporated.Best*inGrams, a.Water.Evaporated.Mark)
	r.figure("heat_watts", a.Heat.Power, 1)
	r.figure("warming_kelvins_per_hour", a.Heat.AdiabaticRate, inPerHour)
	r.figure("steady_temperature_kelvins", a.Heat.Steady, 1)
	r.values["constant_voltage_runs_away"] = a.Heat.RunsAway
	r.put("lead_cross_section_square_millimetres", a.Lead.CrossSection*1e6, matter.Assumed)
	r.figure("energy_joules", a.Energy.Total, 1)
	r.figure("specific_energy_joules_per_kilogram", a.Energy.Specific, 1)
	r.figure("energy_cost", a.Energy.Cost, 1)
}

// acid adds H+ gained in mol under the name of what is gained: acid, base or alkali.
func (r *planReport) acid(where string, moles float64, mark matter.Mark, medium matter.Medium) {
	word, _, _, kilogramsPerMole := acidWords(moles, medium)
	key := where + strings.ReplaceAll(word, " ", "_")
	r.put(key+"_moles", math.Abs(moles), mark)
	r.put(key+"_grams", math.Abs(moles)*kilogramsPerMole*inGrams, mark)
}

func budgetJSON(shares []bath.Share) []map[string]any {
	list := []map[string]any{}
	for _, s := range shares {
		list = append(list, map[string]any{"source": s.Source, "standard_uncertainty_coulombs": quantity.Maybe(s.Amount), "mark": s.Mark.String()})
	}
	return list
}

func sensitivityJSON(plan *bath.Plan) []map[string]any {
	var list []map[string]any
	for _, v := range plan.Sensitivity() {
		list = append(list, map[string]any{
			"if": v.What, "source": v.Source, "target_charge_coulombs": quantity.Maybe(v.Charge), "duration_seconds": quantity.Maybe(v.Seconds),
			"deposit_by_planned_charge_grams": quantity.Maybe(v.Deposit * inGrams), "recovered_by_planned_charge_ratio": quantity.Maybe(v.Recovers), "problem": v.Problem,
		})
	}
	return list
}

func scaledJSON(s *scaledPlan) map[string]any {
	return map[string]any{
		"factor": quantity.Maybe(s.Factor), "batches": s.Batches, "batch_deposit_grams": quantity.Maybe(s.BatchMass * inGrams), "cells_in_series": s.Cells,
		"cathode_area_square_metres": quantity.Maybe(s.CathodeArea), "bath_volume_cubic_metres": quantity.Maybe(s.Volume), "current_amperes": quantity.Maybe(s.Current),
		"supply_amperes": quantity.Maybe(s.SupplyAmperes), "supply_volts": quantity.Maybe(s.SupplyVolts), "heat_watts": quantity.Maybe(s.Heat),
		"ventilation_cubic_metres_per_hour": quantity.Maybe(s.air * inPerHour),
		"heat_watts_per_litre":              quantity.Maybe(s.HeatPerVolume / 1e3), "batch_duration_seconds": quantity.Maybe(s.BatchDuration),
		"total_duration_seconds": quantity.Maybe(s.TotalDuration), "total_charge_coulombs": quantity.Maybe(s.TotalCharge), "metal_charge_coulombs": quantity.Maybe(s.MetalCharge),
	}
}

func taperJSON(t *taperedPlan) []map[string]any {
	var list []map[string]any
	for _, s := range t.settings {
		list = append(list, map[string]any{
			"at_seconds": quantity.Maybe(s.At), "current_amperes": quantity.Maybe(s.Amperes), "for_seconds": quantity.Maybe(s.Seconds), "charge_coulombs": quantity.Maybe(s.Coulombs),
			"concentration_kilograms_per_cubic_metre": quantity.Maybe(s.Concentration * t.molar), "limiting_current_share_ratio": quantity.Maybe(s.LoadRatio),
		})
	}
	return list
}
