package main

import (
	"fmt"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"nightcell/daemon/books"
)

func newImportCommand(s *shell) *cobra.Command {
	var where dataFlags
	var in books.Intake
	var begin string
	cmd := &cobra.Command{
		Use:   "import FILE.csv --cell CELL",
		Short: "Take in a run that was measured elsewhere",
		Long: "Reads a table of time, volts and amperes and makes a run of it that has ended, with its charge integrated and gaps booked.\n" +
			"The head names the columns and their units, in any order: time_s, U (V), current_mA. Other columns are passed over.\n" +
			"Cells stand apart by commas, semicolons or tabs; decimals have a point or, where commas do not part cells, a comma. Times\n" +
			"are ISO 8601 (UTC without a zone), or numbers with --begin. With --config the run keeps bath and accuracy of the cell.",
		Example: "  nightcell import night.csv --cell zinc-1 --config nightcell.toml --begin 2026-01-10T20:00:00Z",
		Args:    between(1, 1, "nightcell import FILE.csv --cell CELL"),
		RunE: func(cmd *cobra.Command, args []string) error {
			data, cfg, err := where.read()
			if err != nil {
				return err
			}
			if in.Cell == "" {
				return usagef("say of which cell the run is: --cell NAME")
			}
			in.Data, in.Name = data, args[0]
			if cfg != nil && cfg.Cell(in.Cell) != nil {
				cell := cfg.Cell(in.Cell)
				in.Settings = cell.Coulometer(cfg.Supply(cell.Supply))
				if in.Frozen, err = cfg.Frozen(in.Cell); err != nil {
					return err
				}
			}
			if begin != "" {
				if in.Begin, err = books.ParseTime(begin); err != nil {
					return usagef("--begin: %w", err)
				}
			}
			f, err := os.Open(args[0])
			if err != nil {
				return usageError{fmt.Errorf("opening the table: %w", err)}
			}
			defer f.Close()
			done, err := in.Take(f)
			if err != nil {
				return fmt.Errorf("nothing was imported: %w", err)
			}
			fmt.Fprintf(s.out, "%d readings imported, %s\n", done.Readings, strings.TrimSpace(done.Columns))
			fmt.Fprintf(s.out, "run %s; nightcell account %s says what it did\n", done.Run, done.Run)
			return nil
		},
	}
	where.add(cmd)
	cmd.Flags().StringVar(&in.Cell, "cell", "", "`name` of the cell")
	cmd.Flags().StringVar(&begin, "begin", "", "`time` of the first reading, of a table whose times are numbers")
	cmd.Flags().StringToStringVar(&in.Columns, "column", nil, "which column is what: `time=NAME`, volts=NAME, amperes=NAME")
	return cmd
}
