package main

import (
	"errors"
	"fmt"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"nightcell/configs"
	"nightcell/configs/quantity"
)

// planOptions is what the flags of plan say about the answer rather than the cell.
type planOptions struct {
	config, cell string
	densityUnit  string
	asJSON       bool
	plot         string
	notice       string
	compare      []string
	scaleTo      string
	scaleCurrent string
	scaleVolume  string
	scaleCells   int
	taper        string
	assayed      []string
}

func newPlanCommand(s *shell) *cobra.Command {
	var o planOptions
	var f planFlags
	cmd := &cobra.Command{
		Use:   "plan",
		Short: "Turn what is in the bath into a charge, a time and a list of warnings",
		Long: "Computes, before a run, the charge to pass, how long it takes, and what it makes\n" +
			"besides metal: gas, acid, heat. The cell is stated by flags alone, or taken from a\n" +
			"configuration, where flags then replace what it says.\n\n" +
			"Quantities carry a unit and may carry an uncertainty, as in '250 g ± 0.5 g' or\n" +
			"'0.9 L ± 2 %': the half-width within which the truth lies. Every figure of the\n" +
			"answer is marked by where it comes from: measured, given, published or assumed.\n\n" +
			"Thermodynamics and tables bound what a cell does; its kinetics decide. The plan is\n" +
			"no permit: local codes and a person licensed to judge the room come first.",
		Example: "  nightcell plan --metal Zn --concentration '55 g/L' --salt FeSO4 --salt-concentration '8.2 g/L' --acid '0.1 mol/L' \\\n" +
			"    --volume '0.9 L' --recover '60 %' --efficiency '88 %' --current '3 A' --cathode-area '60 cm2'\n" +
			"  nightcell plan --config cells.toml --cell zinc-1 --compare '2 A' --compare '4 A'\n" +
			"  nightcell plan --metal Cu --medium sulfate --concentration '40 g/L' --volume '2 L' --leave '2 g/L' \\\n" +
			"    --stirring bubble --current '4 A' --cathode-area '2 dm2' --taper 0.33 --plot run.svg",
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) > 0 {
				return usagef("plan takes flags only, and %q is none; see nightcell plan --help", args[0])
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, _ []string) error { return runPlan(s, cmd, &o, &f) },
	}
	f.register(cmd)
	flags := cmd.Flags()
	flags.StringVar(&o.config, "config", "", "configuration `file` to take the cell from")
	flags.StringVar(&o.cell, "cell", "", "`name` of the cell there; needed if there are several")
	flags.StringVar(&o.densityUnit, "density-unit", "A/dm2", "`unit` of current density: A/dm2, A/m2, mA/cm2 or ASF")
	flags.BoolVar(&o.asJSON, "json", false, "print one JSON object, in SI, with the unit in each key")
	flags.StringVar(&o.plot, "plot", "", "draw bath, deposit, efficiency and charge against time to a .svg or .png `file`")
	flags.StringVar(&o.notice, "door-notice", "", "write a page for the door to an .html `file`, to be printed")
	flags.StringArrayVar(&o.compare, "compare", nil, "`quantity` to set beside the plan: a current or a cathode area; may be repeated")
	flags.StringVar(&o.scaleTo, "scale-to", "", "`mass` of metal to scale the plan up to, such as '2 kg'")
	flags.StringVar(&o.scaleCurrent, "scale-current", "", "the most `current` the bigger supply may give, such as '20 A'")
	flags.StringVar(&o.scaleVolume, "scale-volume", "", "the most bath in one batch: a `volume`, such as '10 L'")
	flags.IntVar(&o.scaleCells, "scale-cells", 1, "`number` of cells in series")
	flags.StringVar(&o.taper, "taper", "", "keep i/i_lim at this `share`, such as 0.33, and print the programme of settings")
	flags.StringArrayVar(&o.assayed, "assayed", nil, "an `assay` during a run as 'time, charge, concentration', such as '6 h, 18 A h, 31 g/L'; two or more fit the mass transfer; where the bath evaporated or was sampled, with its volume then and that of the sample: '6 h, 18 A h, 31 g/L, 0.88 L, 5 mL'")
	return cmd
}

func runPlan(s *shell, cmd *cobra.Command, o *planOptions, f *planFlags) error {
	if err := checkDensityUnit(o.densityUnit); err != nil {
		return err
	}
	cell, supply, err := planCell(o)
	if err != nil {
		return err
	}
	if err := f.apply(cmd, cell); err != nil {
		return err
	}
	main, err := newPlanned("planned", cell, supply, f, o.assayed)
	if err != nil {
		return err
	}
	extras, err := planExtras(o, f, main)
	if err != nil {
		return err
	}
	if o.plot != "" {
		if err := drawPlan(o.plot, main); err != nil {
			return err
		}
	}
	if o.notice != "" {
		if err := writeDoorNotice(o.notice, main); err != nil {
			return err
		}
	}
	if o.asJSON {
		return printJSON(s.out, planJSON(main, extras))
	}
	return printPlan(s.out, main, extras, o)
}

// planCell takes the cell out of the configuration, or an empty one if there is none.
func planCell(o *planOptions) (*configs.Cell, *configs.Supply, error) {
	if o.config == "" {
		if o.cell != "" {
			return nil, nil, usagef("--cell %s: it needs --config FILE, the file that describes the cell", o.cell)
		}
		return emptyCell(), nil, nil
	}
	c, err := configs.Load(o.config)
	if err != nil {
		return nil, nil, usageError{err}
	}
	var names []string
	for i := range c.Cells {
		names = append(names, c.Cells[i].Name)
	}
	name := o.cell
	if name == "" {
		if len(names) != 1 {
			return nil, nil, usagef("%s describes several cells: say which with --cell, one of %s", o.config, strings.Join(names, ", "))
		}
		name = names[0]
	}
	cell := c.Cell(name)
	if cell == nil {
		return nil, nil, usagef("--cell %s: %s has no such cell; it has %s", name, o.config, strings.Join(names, ", "))
	}
	fillCell(cell)
	return cell, c.Supply(cell.Supply), nil
}

// planExtras works out what was asked for besides the plan itself.
func planExtras(o *planOptions, f *planFlags, main *planned) (extras, error) {
	var x extras
	for _, text := range o.compare {
		v, err := quantity.ParseAny(text, quantity.Current, quantity.Area)
		if err != nil {
			return x, usagef("--compare: %w", err)
		}
		cell := *main.cell
		name := text
		if cell.Target.Form == configs.Marginal {
			return x, usagef("--compare %s: a marginal stop needs the cell voltage that belongs to the current and the area, and only that of the plan is stated; make a plan of its own with the --cell-voltage measured there", text)
		}
		cell.Working.Voltage = unstatedQuantity() // it was measured at another current or area
		if v.Dimension == quantity.Current {
			cell.Working.Current = v
		} else {
			cell.Electrodes.CathodeArea = v
		}
		other, err := newPlanned(name, &cell, main.supply, f, o.assayed)
		if err != nil {
			return x, fmt.Errorf("--compare %s: %w", text, err)
		}
		x.compared = append(x.compared, other)
	}
	var err error
	if o.scaleTo != "" {
		x.scaled, err = scalePlan(o, main)
	} else if o.scaleCurrent != "" || o.scaleVolume != "" || o.scaleCells != 1 {
		err = usagef("--scale-current, --scale-volume and --scale-cells bound a scale-up: state --scale-to too, such as --scale-to '2 kg'")
	}
	if err != nil {
		return x, err
	}
	if o.taper != "" {
		x.taper, err = taperPlan(o.taper, main)
	}
	return x, err
}

// checkExtension refuses a file whose ending says that it is to be something else.
func checkExtension(flag, file string, endings ...string) error {
	for _, e := range endings {
		if strings.EqualFold(filepath.Ext(file), e) {
			return nil
		}
	}
	return usagef("--%s %s: a file that ends in %s is needed", flag, file, strings.Join(endings, " or "))
}

// planMistakes turns the mistakes of an order into one error that names flags.
func planMistakes(err error, list []string) error {
	if len(list) == 0 {
		return usageError{err}
	}
	if len(list) == 1 {
		return usageError{errors.New(list[0])}
	}
	return usageError{errors.New("the plan cannot be made:\n  " + strings.Join(list, "\n  "))}
}
