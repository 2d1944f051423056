package main

import (
	"fmt"
	"os"
	"path/filepath"
	"text/tabwriter"

	"nightcell/daemon/ledger"
	"nightcell/daemon/runlog"
	"nightcell/drivers"
)

// ledgerDirectory is the directory of a ledger, where it or its file is named; empty: something else is.
func ledgerDirectory(arg string) string {
	dir := filepath.Clean(arg)
	if filepath.Base(dir) == runlog.LedgerName {
		dir = filepath.Dir(dir)
	}
	if _, err := os.Stat(filepath.Join(dir, runlog.LedgerName)); err != nil {
		return ""
	}
	return dir
}

// verifyLedger checks a ledger and the logs of the runs that it names.
func (s *shell) verifyLedger(dir string, asJSON bool) error {
	all, wrong, err := ledger.Verify(dir)
	if err != nil {
		return readingError(err)
	}
	sound := all.Sound() && len(wrong) == 0
	if asJSON {
		err = printJSON(s.out, map[string]any{"ledger_directory": dir, "sound": sound, "lines": len(all.Records), "damage": append([]runlog.Damage{}, all.Damage...), "problems": append([]string{}, wrong...)})
	} else {
		w := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
		fmt.Fprintf(w, "ledger\t%s, %d lines\n", dir, len(all.Records))
		for _, d := range all.Damage {
			fmt.Fprintf(w, "damage\tbytes %d to %d: %s\n", d.From, d.To, d.Reason)
		}
		for _, text := range wrong {
			fmt.Fprintf(w, "run\t%s\n", drivers.Plain(text))
		}
		verdict := "sound: every line is as it was written, and every log that it names is that one"
		if !sound {
			verdict = "NOT sound: see above"
		}
		fmt.Fprintf(w, "verdict\t%s\n", verdict)
		err = w.Flush()
	}
	if err == nil && !sound {
		err = errSilent
	}
	return err
}
