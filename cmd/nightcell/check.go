package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"nightcell/alerts"
	"nightcell/configs"
	"nightcell/configs/quantity"
	"nightcell/daemon/books"
	"nightcell/daemon/ledger"
	"nightcell/daemon/report"
	"nightcell/daemon/report/plansheet"
	"nightcell/daemon/runlog"
	"nightcell/drivers/scpi"
	"nightcell/integrate/bath"
	"nightcell/integrate/electrolysis"
)

type checkFlags struct {
	config      string
	ask, asJSON bool
	patience    string
	record      string
	rack        *scpi.Rack // by which the supplies are asked; nil: one of its own
}

func newCheckCommand(s *shell) *cobra.Command {
	var f checkFlags
	cmd := newCommand("check", func(cmd *cobra.Command, _ []string) error { return f.run(cmd.Context(), s) })
	flags := cmd.Flags()
	flags.StringVar(&f.config, "config", "", "configuration `file` (TOML)")
	flags.BoolVar(&f.ask, "ask", false, "query each supply without changing its settings")
	flags.StringVar(&f.patience, "patience", "20 s", "longest `time` for one supply to answer all queries")
	flags.BoolVar(&f.asJSON, "json", false, "print one JSON object")
	recordFlag(flags, &f.record)
	return cmd
}

func (f *checkFlags) run(ctx context.Context, s *shell) error {
	if f.config == "" {
		return usagef("--config is missing; name the configuration file, such as --config nightcell.toml")
	}
	if f.record != "" && !f.ask {
		return usagef("--record %s: nothing is asked without --ask; add it", f.record)
	}
	patience, err := parsePatience(f.patience, "20 s")
	if err != nil {
		return err
	}
	report := checkReport{Config: f.config, Mistakes: configs.Mistakes{}, Cells: []cellJSON{}, Supplies: []askedJSON{}, Notes: []string{}}
	config, err := configs.Load(f.config)
	switch {
	case errors.As(err, &report.Mistakes) && f.asJSON:
		return cmp.Or(printJSON(s.out, report), error(usageError{errSilent}))
	case errors.As(err, &report.Mistakes):
		fmt.Fprintln(s.err, report.Mistakes)
		return usageError{errSilent}
	case err != nil:
		return usageError{err}
	}
	report.Valid = true
	report.outside(config)
	for _, m := range slices.Concat(config.Notes, config.Unfilled()) {
		report.Notes = append(report.Notes, m.Error())
	}
	for i := range config.Cells {
		report.Cells = append(report.Cells, judgeCell(config, &config.Cells[i]))
	}
	if f.ask {
		rack := f.rack
		if rack == nil {
			rack = new(scpi.Rack)
			if rack.Record, err = beginRecord(s, f.record); err != nil {
				return err
			}
			defer rack.Record.Close()
		}
		report.Supplies = askAll(ctx, config, rack, patience)
	}
	sound := !slices.ContainsFunc(report.Supplies, func(a askedJSON) bool { return a.Problem != "" })
	err = s.show(f.asJSON, report, func(w io.Writer) { report.print(w, f.ask) })
	if err == nil && !report.Valid {
		return usageError{errSilent}
	}
	return soundOr(sound, err)
}

// checkReport is what check has found, and its JSON form.
type checkReport struct {
	Config   string           `json:"config"`
	Valid    bool             `json:"valid"`
	Mistakes configs.Mistakes `json:"mistakes"`
	Notes    []string         `json:"notes"`
	Cells    []cellJSON       `json:"cells"`
	Supplies []askedJSON      `json:"supplies"` // those asked
}

type cellJSON struct {
	Name          string   `json:"name"`
	Supply        string   `json:"supply"`
	Channel       int      `json:"channel"`
	Parallel      []int    `json:"parallel,omitempty"`
	InSeries      int      `json:"in_series"`
	Port          string   `json:"port"`
	May           []string `json:"may"`
	AtTarget      string   `json:"at_target"`
	OnStop        string   `json:"on_stop"`
	*CellTarget            // nil: none is set
	Notes         []string `json:"notes"`
	Left          string   `json:"left,omitempty"`  // what the ledger says is left in the bath
	Blank         string   `json:"blank,omitempty"` // what the cathode weighs, by its ledger
	plan          *bath.Plan
	configuration *configs.Cell
}

type CellTarget struct {
	Metal        string   `json:"metal"`
	MetalInBath  float64  `json:"metal_in_bath_grams"`
	Theoretical  float64  `json:"theoretical_charge_coulombs"`
	TargetCharge float64  `json:"target_charge_coulombs"`
	Uncertainty  float64  `json:"target_charge_standard_uncertainty_coulombs"`
	Low          float64  `json:"target_charge_low_coulombs"`
	High         float64  `json:"target_charge_high_coulombs"`
	Deposit      float64  `json:"deposit_grams"`
	Duration     *float64 `json:"duration_seconds,omitempty"`
}

// judgeCell computes what a cell's configuration comes to.
func judgeCell(config *configs.Config, c *configs.Cell) cellJSON {
	s := config.Supply(c.Supply)
	j := cellJSON{Name: c.Name, Supply: c.Supply, Channel: c.Channel, Parallel: c.Parallel, InSeries: c.Series, Port: s.Line.Address, May: []string{},
		AtTarget: c.AtTarget.String(), OnStop: c.OnStop.String(), Notes: []string{}, configuration: c}
	if c.OnStop == alerts.Notify {
		j.OnStop = "leave" // as it is written in the file
	}
	if c.May.Off {
		j.May = append(j.May, alerts.Off.String())
	}
	if c.May.Hold {
		j.May = append(j.May, alerts.Hold.String())
	}
	if c.May.Step {
		j.May = append(j.May, "step")
	}
	if s.Accuracy.Assumed {
		j.Notes = append(j.Notes, fmt.Sprintf("the accuracy of supply %s is assumed; copy [supply.%s.accuracy] from its data sheet", s.Name, s.Name))
	}
	if note := slowAttach(s); note != "" {
		j.Notes = append(j.Notes, note)
	}
	if c.Efficiency.Learned {
		taught, lesson, err := new(books.Pupil).Taught(config, c.Name)
		if err != nil {
			j.Notes = append(j.Notes, err.Error())
		} else {
			c, config = taught.Cell(c.Name), taught
			j.Notes = append(j.Notes, plansheet.LessonLines(lesson)...)
		}
	}
	plan, err := c.Plan(s)
	if frozen, wrong := config.Frozen(c.Name); plan != nil && wrong == nil {
		var on ledger.Continued
		if on, err = ledger.Continue(config.Data, frozen, c.Name, time.Now(), runlog.Patience); on.Left != "" {
			c, plan, j.configuration, j.Left = on.Cell, on.Plan, on.Cell, on.Left
			j.Notes = append(j.Notes, "not followed from run to run: "+ledger.NotFollowed)
		}
		j.Blank = on.Blank
		if on.Told != "" {
			j.Notes = append(j.Notes, on.Told)
		}
	}
	if err != nil { // Parse has tried the plan and let it through
		j.Notes = append(j.Notes, err.Error())
	}
	if plan == nil {
		j.Notes = append(j.Notes, "no target is set; charge is counted without an end")
		return j
	}
	g := plan.Goal
	j.plan = plan
	j.CellTarget = &CellTarget{Metal: plan.Metal.String(), MetalInBath: plan.Amount.Value * 1e3, Theoretical: g.Theoretical.Value,
		TargetCharge: g.Charge.Value, Uncertainty: g.Charge.StandardUncertainty, Low: g.Low, High: g.High, Deposit: g.Deposit.Value * 1e3}
	if g.Duration.Known() {
		j.Duration = &g.Duration.Value
		if run := c.Limits.Run; run > 0 && g.Duration.Value > run.Seconds() {
			j.Notes = append(j.Notes, fmt.Sprintf("the run will take longer than limits.duration, %s", quantity.Format(quantity.Time, run.Seconds())))
		}
	}
	if working := c.States.Current.Value; working > c.Limits.Amperes {
		j.Notes = append(j.Notes, "the working current is above limits.current; over-current will be raised at once")
	}
	j.Notes = append(append(j.Notes, brokenLimits(s, c, plan)...), plan.Notes...)
	return j
}

// brokenLimits says which limits the cell's own plan is expected to break. What the cell does not state enough of is not judged.
func brokenLimits(s *configs.Supply, c *configs.Cell, p *bath.Plan) []string {
	a, err := electrolysis.Assess(c.Conditions(p, math.NaN()))
	if err != nil {
		return nil
	}
	var notes []string
	band := fmt.Sprintf("%.1f to %.1f V, most likely %.1f V", a.Voltage.Low, a.Voltage.High, a.Voltage.Best)
	low, best, high := a.Voltage.Low, a.Voltage.Best, a.Voltage.High
	if v := a.Conditions.CellVolts; v.Known() {
		low, best, high = v.Value, v.Value, v.Value
		band = fmt.Sprintf("the stated %.3g V", v.Value)
	}
	for _, l := range []struct {
		key   string
		limit float64
		then  string
	}{{"limits.voltage", c.Limits.Volts, "the alarm will be raised"}, {"the range of the supply", s.RangeVolts, "the current will not be reached"}} {
		switch limit := quantity.Format(quantity.Voltage, l.limit); {
		case l.limit < low:
			notes = append(notes, fmt.Sprintf("%s is %s, and the plan expects %s: %s", l.key, limit, band, l.then))
		case l.limit < best:
			notes = append(notes, fmt.Sprintf("%s is %s, and the plan expects %s: most likely %s", l.key, limit, band, l.then))
		case l.limit < high:
			notes = append(notes, fmt.Sprintf("%s is %s, within the expected %s: possibly %s", l.key, limit, band, l.then))
		}
	}
	if most := c.Limits.AmperesPerSquareMetre; a.CathodeDensity.Value > most {
		notes = append(notes, fmt.Sprintf("the working current is %s on the cathode, above limits.current_density, %s: current-density will be raised", quantity.Round(quantity.CurrentDensity, a.CathodeDensity.Value, 3), quantity.Round(quantity.CurrentDensity, most, 3)))
	}
	return notes
}

// slowAttach says that the unit's watchdog may not outlast the first contact with a supply: only good readings feed it.
func slowAttach(s *configs.Supply) string {
	const watchdog = time.Minute // WatchdogSec of the shipped unit
	longest := s.FirstContact()
	if longest <= watchdog {
		return ""
	}
	return fmt.Sprintf("supply %s may take %s to give its first reading (dialect timeout); under systemd shorten the timeout or set WatchdogSec above that, else a slow supply restarts nightcell endlessly",
		s.Name, quantity.Format(quantity.Time, longest.Seconds()))
}

// outside tries secrets, templates and files. What only another user may read is no mistake.
func (r *checkReport) outside(config *configs.Config) {
	for _, m := range config.Exposed() {
		r.Notes = append(r.Notes, m.Error())
	}
	for _, err := range config.Outside() {
		if errors.Is(err, fs.ErrPermission) {
			r.Notes = append(r.Notes, err.Error())
			continue
		}
		r.Valid = false
		r.Mistakes = append(r.Mistakes, err.Mistake)
	}
}

// print writes the report for people.
func (r *checkReport) print(w io.Writer, asked bool) {
	for _, m := range r.Mistakes {
		fmt.Fprintln(w, m)
	}
	if r.Valid {
		cells := "1 cell"
		if n := len(r.Cells); n != 1 {
			cells = fmt.Sprintf("%d cells", n)
		}
		fmt.Fprintf(w, "%s: no mistakes; %s\n", r.Config, cells)
	}
	for _, note := range r.Notes {
		fmt.Fprintf(w, "note: %s\n", note)
	}
	for i := range r.Cells {
		r.Cells[i].print(w)
	}
	for i := range r.Supplies {
		r.Supplies[i].print(w)
	}
	if !asked && r.Valid {
		fmt.Fprint(w, "\nNo supply was queried; add --ask to query them without changing settings.\n")
	}
}

// checkLine writes a line below the name of a cell or a supply.
func checkLine(w io.Writer, name, format string, args ...any) {
	fmt.Fprintf(w, "  %-12s %s\n", name, fmt.Sprintf(format, args...))
}

func (j *cellJSON) print(w io.Writer) {
	c := j.configuration
	line := func(name, format string, args ...any) { checkLine(w, name, format, args...) }
	fmt.Fprintf(w, "\ncell %s\n", j.Name)
	line("supply", "%s, %s, on %s", j.Supply, c.Wiring(), j.Port)
	if len(c.Meters) > 0 {
		line("meters", "%s", strings.Join(c.Meters, ", "))
	}
	line("poll", "every %s; no reading for %s is a gap; log synced every %s", timeWords(c.Poll), timeWords(c.GapAfter), timeWords(c.Sync))
	if len(j.May) == 0 {
		line("may", "monitor only")
	} else {
		line("may", "%s; at target: %s; when nightcell stops: %s", strings.Join(j.May, ", "), j.AtTarget, j.OnStop)
	}
	if c.Reason != "" {
		line("reason", "%s", c.Reason)
	}
	if p := j.plan; p != nil {
		g := p.Goal
		inBath := report.Show(p.Amount, report.Grams) + " of " + p.Metal.Element.Name
		if j.Left != "" {
			inBath = strings.Replace(j.Left, " that", " of "+p.Metal.Element.Name+" that", 1)
		}
		line("in the bath", "%s", inBath)
		if j.Blank != "" {
			line("blank", "%s", j.Blank)
		}
		line("target", "%s, as counted with this supply (k = 2)", report.Show(g.Charge, report.AmpereHours))
		line("deposit", "%s", report.Show(g.Deposit, report.Grams))
		if g.Duration.Known() {
			line("duration", "%s at %s", report.Lasting(g.Duration), quantity.Format(quantity.Current, c.States.Current.Value))
		}
	}
	for _, n := range j.Notes {
		line("note", "%s", n)
	}
}
