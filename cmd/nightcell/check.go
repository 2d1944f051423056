package main

import (
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
	config, patience, record string
	ask                      bool
	rack                     *scpi.Rack // by which the supplies are asked; nil: one of its own
}

func newCheckCommand(s *shell) *cobra.Command {
	var f checkFlags
	cmd := newCommand("check", func(cmd *cobra.Command, _ []string) error { return f.run(cmd.Context(), s) })
	flags := cmd.Flags()
	flags.StringVar(&f.config, "config", "", "configuration `file` (TOML)")
	flags.BoolVar(&f.ask, "ask", false, "query each supply without changing its settings")
	flags.StringVar(&f.patience, "patience", "20 s", "longest `time` for one supply to answer all queries")
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
	patience, err := parseSpan("patience", f.patience, time.Hour)
	if err != nil {
		return err
	}
	config, err := configs.Load(f.config)
	var mistakes configs.Mistakes
	switch {
	case errors.As(err, &mistakes):
		fmt.Fprintln(s.err, mistakes)
		return usageError{errSilent}
	case err != nil:
		return usageError{err}
	}
	answers, sound := "", true
	if f.ask {
		rack := f.rack
		if rack == nil {
			rack = new(scpi.Rack)
			if rack.Record, err = beginRecord(s, f.record); err != nil {
				return err
			}
			defer rack.Record.Close()
		}
		answers, sound = askAll(ctx, config, rack, patience)
	}
	wrong, notes := outside(config)
	var b strings.Builder
	for _, m := range wrong {
		fmt.Fprintln(&b, m)
	}
	if len(wrong) == 0 {
		cells := "1 cell"
		if n := len(config.Cells); n != 1 {
			cells = fmt.Sprintf("%d cells", n)
		}
		fmt.Fprintf(&b, "%s: no mistakes; %s\n", f.config, cells)
	}
	for _, m := range slices.Concat(notes, config.Notes, config.Unfilled()) {
		fmt.Fprintf(&b, "note: %s\n", m.Error())
	}
	for i := range config.Cells {
		printCell(&b, config, &config.Cells[i])
	}
	b.WriteString(answers)
	if !f.ask && len(wrong) == 0 {
		b.WriteString("\nNo supply was queried; add --ask to query them without changing settings.\n")
	}
	_, err = io.WriteString(s.out, b.String())
	if err == nil && len(wrong) > 0 {
		return usageError{errSilent}
	}
	return soundOr(sound, err)
}

// outside tries secrets, templates and files. What only another user may read is no mistake but a note.
func outside(config *configs.Config) (wrong, notes configs.Mistakes) {
	notes = config.Exposed()
	for _, err := range config.Outside() {
		if errors.Is(err, fs.ErrPermission) {
			notes = append(notes, err.Mistake)
		} else {
			wrong = append(wrong, err.Mistake)
		}
	}
	return wrong, notes
}

// checkLine writes a line below the name of a cell or a supply.
func checkLine(w io.Writer, name, format string, args ...any) {
	fmt.Fprintf(w, "  %-12s %s\n", name, fmt.Sprintf(format, args...))
}

// printCell writes what a cell's configuration comes to.
func printCell(w io.Writer, config *configs.Config, c *configs.Cell) {
	s := config.Supply(c.Supply)
	var notes []string
	if s.Accuracy.Assumed {
		notes = append(notes, fmt.Sprintf("the accuracy of supply %s is assumed; copy [supply.%s.accuracy] from its data sheet", s.Name, s.Name))
	}
	notes = append(notes, slowAttach(s)...)
	if c.Efficiency.Learned {
		taught, lesson, err := new(books.Pupil).Taught(config, c.Name)
		if err != nil {
			notes = append(notes, err.Error())
		} else {
			c, config = taught.Cell(c.Name), taught
			notes = append(notes, plansheet.LessonLines(lesson)...)
		}
	}
	plan, err := c.Plan(s)
	var on ledger.Continued
	if frozen, wrong := config.Frozen(c.Name); plan != nil && wrong == nil {
		if on, err = ledger.Continue(config.Data, frozen, c.Name, time.Now(), runlog.Patience); on.Left != "" {
			c, plan = on.Cell, on.Plan
			notes = append(notes, "not followed from run to run: "+ledger.NotFollowed)
		}
		if on.Told != "" {
			notes = append(notes, on.Told)
		}
	}
	if err != nil { // Parse has tried the plan and let it through
		notes = append(notes, err.Error())
	}
	line := func(name, format string, args ...any) { checkLine(w, name, format, args...) }
	fmt.Fprintf(w, "\ncell %s\n", c.Name)
	line("supply", "%s, %s, on %s", c.Supply, c.Wiring(), s.Line.Address)
	if len(c.Meters) > 0 {
		line("meters", "%s", strings.Join(c.Meters, ", "))
	}
	line("poll", "every %s; no reading for %s is a gap; log synced every %s", timeWords(c.Poll), timeWords(c.GapAfter), timeWords(c.Sync))
	line("may", "%s", mayWords(c))
	if c.Reason != "" {
		line("reason", "%s", c.Reason)
	}
	if plan == nil {
		notes = append(notes, "no target is set; charge is counted without an end")
	} else {
		g := plan.Goal
		inBath := report.Show(plan.Amount, report.Grams) + " of " + plan.Metal.Element.Name
		if on.Left != "" {
			inBath = strings.Replace(on.Left, " that", " of "+plan.Metal.Element.Name+" that", 1)
		}
		line("in the bath", "%s", inBath)
		if on.Blank != "" {
			line("blank", "%s", on.Blank)
		}
		line("target", "%s, as counted with this supply (k = 2)", report.Show(g.Charge, report.AmpereHours))
		line("deposit", "%s", report.Show(g.Deposit, report.Grams))
		if g.Duration.Known() {
			line("duration", "%s at %s", report.Lasting(g.Duration), quantity.Format(quantity.Current, c.States.Current.Value))
			if run := c.Limits.Run; run > 0 && g.Duration.Value > run.Seconds() {
				notes = append(notes, fmt.Sprintf("the run will take longer than limits.duration, %s", quantity.Format(quantity.Time, run.Seconds())))
			}
		}
		if c.States.Current.Value > c.Limits.Amperes {
			notes = append(notes, "the working current is above limits.current; over-current will be raised at once")
		}
		notes = slices.Concat(notes, brokenLimits(s, c, plan), plan.Notes)
	}
	for _, n := range notes {
		line("note", "%s", n)
	}
}

// mayWords is what nightcell may do to the output of a cell, and when it does it by itself.
func mayWords(c *configs.Cell) string {
	var may []string
	for _, p := range []struct {
		given bool
		word  string
	}{{c.May.Off, "off"}, {c.May.Hold, "hold"}, {c.May.Step, "step"}} {
		if p.given {
			may = append(may, p.word)
		}
	}
	if len(may) == 0 {
		return "monitor only"
	}
	onStop := c.OnStop.String()
	if c.OnStop == alerts.Notify {
		onStop = "leave" // as it is written in the file
	}
	return fmt.Sprintf("%s; at target: %s; when nightcell stops: %s", strings.Join(may, ", "), c.AtTarget, onStop)
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
func slowAttach(s *configs.Supply) []string {
	const watchdog = time.Minute // WatchdogSec of the shipped unit
	longest := s.FirstContact()
	if longest <= watchdog {
		return nil
	}
	return []string{fmt.Sprintf("supply %s may take %s to give its first reading (dialect timeout); under systemd shorten the timeout or set WatchdogSec above that, else a slow supply restarts nightcell endlessly",
		s.Name, quantity.Format(quantity.Time, longest.Seconds()))}
}
