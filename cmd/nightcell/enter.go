package main

import (
	"context"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"nightcell/configs/quantity"
	"nightcell/daemon/control"
)

// entryKind says what may be written with one kind of entry.
type entryKind struct {
	about  string
	fields map[string]entryField
	needs  []string // fields without which the entry says nothing
	text   bool     // the text is what the entry is about
}

// entryField is a quantity of one of several dimensions, or a word if there are none.
type entryField []entryUnit

// entryUnit is one dimension of a field and the field's name in the log, SI unit last.
type entryUnit struct {
	dimension quantity.Dimension
	name      string
}

// The fields that several kinds share.
var (
	massField          = entryField{{quantity.Mass, "mass_kilograms"}}
	volumeField        = entryField{{quantity.Volume, "volume_cubic_metres"}}
	concentrationField = entryField{
		{quantity.MassConcentration, "concentration_kilograms_per_cubic_metre"},
		{quantity.AmountConcentration, "concentration_moles_per_cubic_metre"},
	}
	wordField = entryField{}
)

// entryKinds are the entries that a person may write.
var entryKinds = map[string]entryKind{
	"addition": {"salt or solution put into the bath", map[string]entryField{
		"formula": wordField, "mass": massField, "assay": {{quantity.Fraction, "assay_ratio"}},
		"volume": volumeField, "concentration": concentrationField,
	}, nil, false},
	"water":  {"water put in; below zero: lost by evaporation", map[string]entryField{"volume": volumeField}, []string{"volume"}, false},
	"sample": {"solution taken out for analysis", map[string]entryField{"volume": volumeField}, []string{"volume"}, false},
	"assay":  {"metal found in the bath", map[string]entryField{"concentration": concentrationField}, []string{"concentration"}, false},
	"weighing": {"mass of the deposit, or of the electrode before and after", map[string]entryField{
		"mass": massField, "before": {{quantity.Mass, "before_kilograms"}}, "after": {{quantity.Mass, "after_kilograms"}}, "electrode": wordField,
	}, nil, false},
	"electrode": {"an electrode changed or moved", map[string]entryField{
		"electrode": wordField, "area": {{quantity.Area, "area_square_metres"}}, "gap": {{quantity.Length, "gap_metres"}}, "material": wordField,
	}, []string{"electrode"}, false},
	"measurement": {"something read by hand", map[string]entryField{
		"temperature": {{quantity.Temperature, "temperature_kelvins"}}, "ph": {{quantity.Number, "ph"}},
		"conductivity": {{quantity.Conductivity, "conductivity_siemens_per_metre"}}, "volume": volumeField,
	}, nil, false},
	"zero": {"the reading of the ammeter when no current flows", map[string]entryField{
		"current": {{quantity.Current, "amperes"}}, "uncertainty": {{quantity.Current, "standard_uncertainty"}},
	}, []string{"current"}, false},
	"check": {"true current divided by the reading, from a comparison", map[string]entryField{
		"factor": {{quantity.Number, "factor"}}, "uncertainty": {{quantity.Number, "standard_uncertainty"}},
	}, []string{"factor"}, false},
	"remark": {"anything else", nil, nil, true},
}

func newEnterCommand(s *shell) *cobra.Command {
	r := &reach{}
	var text, at string
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "enter CELL KIND [NAME=VALUE ...] [TEXT]",
		Short: "Write into a run what was seen, done, weighed or taken",
		Long: "enter writes an entry into the run log of CELL. Quantities carry their units, and may state an uncertainty.\n\n" +
			describeKinds(),
		Example: "  nightcell enter zinc-1 addition formula=ZnSO4·7H2O \"mass=50 g\" --config nightcell.toml\n" +
			"  nightcell enter zinc-1 assay \"concentration=12.4 g/L ± 0.2 g/L\" --config nightcell.toml\n" +
			"  nightcell enter zinc-1 settle gap=0 \"low=0 C\" \"best=300 C\" \"high=310 C\" --config nightcell.toml\n" +
			"  nightcell enter zinc-1 settle gap=0 off=02:10 \"the fuse blew\" --config nightcell.toml\n" +
			"  nightcell enter zinc-1 remark \"stirrer replaced\" --config nightcell.toml",
		Args: between(2, math.MaxInt, "nightcell enter CELL KIND [NAME=VALUE ...] [TEXT]"),
		RunE: func(cmd *cobra.Command, args []string) error {
			cell, kind := args[0], args[1]
			values, words := splitArguments(args[2:])
			if text == "" {
				text = words
			} else if words != "" {
				return usagef("the text is given twice: %q and %q", text, words)
			}
			if kind == "settle" {
				settlement, err := parseSettlement(values)
				if err != nil {
					return err
				}
				settlement.Cell, settlement.By, settlement.Text = cell, r.who(), text
				return r.ask(cmd.Context(), func(ctx context.Context, c *control.Client) error {
					settled, err := c.Settle(ctx, settlement)
					if err != nil {
						return err
					}
					if asJSON {
						return printJSON(s.out, map[string]any{"settled": settled})
					}
					_, err = fmt.Fprintf(s.out, "gap %d of %s is settled: %.4g A·h, between %.4g and %.4g A·h\n", settled.Gap, printable(cell),
						ampereHours(settled.BestCoulombs), ampereHours(settled.LowCoulombs), ampereHours(settled.HighCoulombs))
					return err
				})
			}
			entry, err := parseEntry(kind, values, text)
			if err != nil {
				return err
			}
			if entry.At, err = parseWhen(at); err != nil {
				return err
			}
			entry.Cell, entry.By = cell, r.who()
			return r.ask(cmd.Context(), func(ctx context.Context, c *control.Client) error {
				if err := c.Enter(ctx, entry); err != nil {
					return err
				}
				if asJSON {
					return printJSON(s.out, map[string]any{"entered": entry})
				}
				_, err := fmt.Fprintf(s.out, "%s entered for %s\n", kind, printable(cell))
				return err
			})
		},
	}
	r.addFlags(cmd)
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object: what was entered")
	cmd.Flags().StringVar(&text, "text", "", "what else there is to say, in `words` that may also stand last")
	cmd.Flags().StringVar(&at, "at", "", "the `time` when it was so, such as 2026-03-01T22:15:00+01:00 (default: now)")
	return cmd
}

// describeKinds lists the kinds with their fields.
func describeKinds() string {
	var b strings.Builder
	for _, kind := range slices.Sorted(maps.Keys(entryKinds)) {
		k := entryKinds[kind]
		fmt.Fprintf(&b, "  %-12s %s", kind, k.about)
		if len(k.fields) > 0 {
			fmt.Fprintf(&b, ": %s", strings.Join(slices.Sorted(maps.Keys(k.fields)), ", "))
		}
		b.WriteByte('\n')
	}
	fmt.Fprintf(&b, "  %-12s %s\n", "settle", "what really passed in a gap: gap with low, best, high, or with off: the time it was off from")
	return b.String()
}

// splitArguments parts NAME=VALUE from the words of a text.
func splitArguments(args []string) (values map[string]string, text string) {
	values = map[string]string{}
	var words []string
	for _, a := range args {
		name, value, found := strings.Cut(a, "=")
		if found && name != "" && !strings.ContainsAny(name, " \t") {
			values[name] = value
		} else {
			words = append(words, a)
		}
	}
	return values, strings.Join(words, " ")
}

// parseEntry reads the values of one kind into SI units.
func parseEntry(kind string, values map[string]string, text string) (control.Entry, error) {
	k, found := entryKinds[kind]
	if !found {
		return control.Entry{}, usagef("there is no entry of kind %q; the kinds are %s, settle", kind, strings.Join(slices.Sorted(maps.Keys(entryKinds)), ", "))
	}
	e := control.Entry{Kind: kind, Text: text, Numbers: map[string]float64{}, Words: map[string]string{}}
	for _, name := range slices.Sorted(maps.Keys(values)) {
		field, found := k.fields[name]
		if !found {
			return control.Entry{}, usagef("an entry of kind %s has no %q; it has: %s", kind, name, orNothing(slices.Sorted(maps.Keys(k.fields))))
		}
		if len(field) == 0 {
			e.Words[name] = values[name]
			continue
		}
		if err := field.parse(values[name], e.Numbers); err != nil {
			return control.Entry{}, usagef("%s: %w", name, err)
		}
	}
	for _, name := range k.needs {
		if _, found := values[name]; !found {
			return control.Entry{}, usagef("an entry of kind %s says nothing without %s=...", kind, name)
		}
	}
	switch {
	case text != "":
	case k.text:
		return control.Entry{}, usagef("an entry of kind %s says nothing without a text", kind)
	case len(values) == 0:
		return control.Entry{}, usagef("the entry says nothing; give a text or values (%s)", orNothing(slices.Sorted(maps.Keys(k.fields))))
	}
	return e, nil
}

func orNothing(names []string) string {
	if len(names) == 0 {
		return "a text only"
	}
	return strings.Join(names, ", ")
}

// parse reads a quantity into numbers, with its uncertainty if it states one.
func (f entryField) parse(s string, numbers map[string]float64) error {
	dimensions := make([]quantity.Dimension, len(f))
	for i, u := range f {
		dimensions[i] = u.dimension
	}
	v, err := quantity.ParseAny(s, dimensions...)
	if err != nil {
		return err
	}
	for _, u := range f {
		if u.dimension != v.Dimension {
			continue
		}
		numbers[u.name] = v.SI
		if !math.IsNaN(v.PlusMinus) {
			about, unit, _ := strings.Cut(u.name, "_")
			numbers[strings.TrimSuffix(about+"_plus_minus_"+unit, "_")] = v.PlusMinus
		}
	}
	return nil
}

// parseSettlement reads gap with low, best and high, or with off.
func parseSettlement(values map[string]string) (control.Settlement, error) {
	var out control.Settlement
	form := "write it as: settle gap=0 \"low=0 C\" \"best=300 C\" \"high=310 C\", or as: settle gap=0 off=02:10"
	for name := range values {
		if !slices.Contains([]string{"gap", "low", "best", "high", "off"}, name) {
			return out, usagef("a settlement has no %q; %s", name, form)
		}
	}
	index, err := strconv.Atoi(values["gap"])
	if err != nil || index < 0 {
		return out, usagef("gap %q is not the number of a gap; %s", values["gap"], form)
	}
	out.Gap, out.Off = index, values["off"]
	if out.Off != "" {
		if len(values) > 2 {
			return out, usagef("off stands in place of low, best and high; %s", form)
		}
		return out, nil
	}
	for _, f := range []struct {
		name string
		to   *float64
	}{{"low", &out.LowCoulombs}, {"best", &out.BestCoulombs}, {"high", &out.HighCoulombs}} {
		if *f.to, err = quantity.Parse(quantity.Charge, values[f.name]); err != nil {
			return out, usagef("%s: %w; %s", f.name, err, form)
		}
	}
	if !(out.LowCoulombs <= out.BestCoulombs && out.BestCoulombs <= out.HighCoulombs) {
		return out, usagef("low, best and high must not go down")
	}
	return out, nil
}

// parseWhen reads a time with its zone; nothing means now.
func parseWhen(s string) (time.Time, error) {
	if s == "" {
		return time.Time{}, nil
	}
	t, err := time.Parse(time.RFC3339, s)
	if err != nil {
		return time.Time{}, usagef("--at %q is not a time such as 2026-03-01T22:15:00+01:00", s)
	}
	return t, nil
}
