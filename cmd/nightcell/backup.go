package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"nightcell/daemon/backup"
)

func newBackupCommand(s *shell) *cobra.Command {
	var where dataFlags
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "backup DIRECTORY",
		Short: "Copy a data directory, also while a watch writes to it",
		Long: "Copies the data directory into DIRECTORY, which must be new or empty: each log up to its last whole line, entries,\n" +
			"photos, and how far notifications and pushes have come. Then every copied log is integrated again.\n\n" +
			"To continue from a backup, on this computer or another, make the copy the data directory and run nightcell watch: it takes\n" +
			"up the run, and books the time since the copy as a gap. Never let two watches go on with the same run.\n" +
			"The exit code is 1 when a copied log does not hold together; the copy has it as it is.",
		Example: "  nightcell backup /media/stick/2026-01-11 --config nightcell.toml",
		Args:    between(1, 1, "nightcell backup DIRECTORY --config FILE"),
		RunE: func(_ *cobra.Command, args []string) error {
			data, _, err := where.read()
			if err != nil {
				return err
			}
			done, err := backup.Copy(data, args[0])
			if err != nil {
				return readingError(fmt.Errorf("backup: %w", err))
			}
			if asJSON {
				err = printJSON(s.out, done)
			} else {
				_, err = fmt.Fprintf(s.out, "%d files with %d bytes copied, %d runs among them\n", done.Files, done.Bytes, done.Runs)
				for _, run := range done.Unsound {
					fmt.Fprintf(s.err, "nightcell: the log of %s does not hold together; nightcell verify %s says why\n", run, run)
				}
			}
			if err != nil {
				return err
			}
			if len(done.Unsound) > 0 {
				return errSilent
			}
			return nil
		},
	}
	where.add(cmd)
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return cmd
}
