package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"nightcell/daemon/books"
	"nightcell/daemon/report"
	"nightcell/daemon/report/accountsheet"
)

func newAccountCommand(s *shell) *cobra.Command {
	var asJSON bool
	var page, check string
	cmd := &cobra.Command{
		Use:   "account RUN [RUN]",
		Short: "Account for a run: charge, deposit, current efficiency, energy, metal left in the bath",
		Long: "Computes the account from the run's files alone: log, late entries and frozen configuration. It compares the\n" +
			"weighed deposit with the drop between assays and with the charge, and reports whether they agree within their\n" +
			"uncertainties and what is missing. The same files give the same account on any machine. Two runs are compared.\n\n" +
			"RUN is a run's directory, <data>/runs/<cell>/<start>; nightcell runs lists them. An account records the SHA-256\n" +
			"of each file. --check FILE checks whether a saved account (.json or .html) still matches the files. If not, the\n" +
			"exit code is 1.",
		Example: "  nightcell account /var/lib/nightcell/runs/zinc-1/20260110T200000Z --page night.html\n" +
			"  nightcell account /var/lib/nightcell/runs/zinc-1/20260110T200000Z --check night.html",
		Args: between(1, 2, "nightcell account RUN [RUN]"),
		RunE: func(_ *cobra.Command, args []string) error {
			r, all, err := accountOf(args)
			switch {
			case err != nil:
				return err
			case check != "":
				return checkAccount(s.out, check, r, all)
			case page != "":
				if err := checkExtension("page", page, ".html"); err != nil {
					return err
				}
				return writeWhole(page, r.HTML)
			case asJSON:
				return printJSON(s.out, r.JSON())
			}
			return r.Text(s.out)
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object; the key of a quantity ends in its unit")
	cmd.Flags().StringVar(&page, "page", "", "write the account with its charts to an .html `file` (prints on two A4 sheets)")
	cmd.Flags().StringVar(&check, "check", "", "check a saved account, a .json or .html `file`, against the run's files")
	cmd.MarkFlagsMutuallyExclusive("json", "page", "check")
	return cmd
}

// accountOf lays out the account of one run, or of two side by side.
func accountOf(dirs []string) (*report.Report, []*books.Books, error) {
	var all []*books.Books
	for _, dir := range dirs {
		b, err := books.Read(runDirectory(dir))
		if err != nil {
			if err = readingError(err); errors.As(err, new(usageError)) {
				err = fmt.Errorf("%w; nightcell runs lists the runs", err)
			}
			return nil, nil, err
		}
		all = append(all, b)
	}
	if len(all) == 2 {
		return accountsheet.Beside(all[0], all[1]), all, nil
	}
	return accountsheet.Of(all[0]), all, nil
}

// checkAccount holds a kept account against what its files give now.
func checkAccount(out io.Writer, file string, r *report.Report, all []*books.Books) error {
	if err := checkExtension("check", file, ".json", ".html"); err != nil {
		return err
	}
	kept, err := os.ReadFile(file)
	if err != nil {
		return usageError{fmt.Errorf("reading the saved account: %w", err)}
	}
	same := true
	for _, b := range all {
		for _, f := range b.Files {
			switch {
			case f.SHA256 == "":
			case bytes.Contains(kept, []byte(f.SHA256)):
				fmt.Fprintf(out, "%s of run %s: unchanged, SHA-256 %s\n", f.Name, b.Run, f.SHA256)
			default:
				same = false
				fmt.Fprintf(out, "%s of run %s: CHANGED since the account was made\n", f.Name, b.Run)
			}
		}
		if !b.Sound() {
			same = false
			fmt.Fprintf(out, "run %s: damaged; nightcell verify shows where\n", b.Run)
		}
	}
	var now bytes.Buffer
	if strings.EqualFold(filepath.Ext(file), ".html") {
		err = r.HTML(&now)
	} else {
		err = printJSON(&now, r.JSON())
	}
	switch {
	case err != nil:
		return err
	case same && bytes.Equal(kept, now.Bytes()):
		fmt.Fprintln(out, "match: every figure of the account follows from these files")
		return nil
	case same:
		fmt.Fprintln(out, "NO MATCH: the files are unchanged but the account differs; it was edited, or made by another version of nightcell")
	default:
		fmt.Fprintln(out, "NO MATCH")
	}
	return errSilent
}
