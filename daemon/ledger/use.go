package ledger

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"nightcell/configs"
	"nightcell/daemon/books"
	"nightcell/daemon/cursor"
	"nightcell/daemon/runlog"
)

// InUse returns the open run that stands in a bath, or that an electrode stands in; empty: none does.
func InUse(data string, k Kind, name string) (cell, run string, err error) {
	cells, err := os.ReadDir(filepath.Join(data, "runs"))
	if errors.Is(err, fs.ErrNotExist) {
		return "", "", nil
	}
	if err != nil {
		return "", "", err
	}
	for _, c := range cells {
		dir, ended, err := runlog.LatestRun(data, c.Name())
		if errors.Is(err, fs.ErrNotExist) || err == nil && ended {
			continue
		}
		if err != nil {
			return "", "", err
		}
		if of, _, _ := books.Frozen(dir, c.Name()); of != nil && names(of, k, name) {
			return c.Name(), filepath.Base(dir), nil
		}
	}
	return "", "", nil
}

// names says whether a cell names a bath, or an electrode.
func names(c *configs.Cell, k Kind, name string) bool {
	if k == OfBath {
		return c.Bath != nil && strings.EqualFold(c.Bath.Name, name)
	}
	return strings.EqualFold(c.Electrodes.CathodeName, name) || strings.EqualFold(c.Electrodes.AnodeName, name)
}

// Verify checks the ledger in a directory: its lines, and that the log of every run that it names is the one whose digest it took down.
func Verify(dir string) (all *runlog.Late, wrong []string, err error) {
	if all, err = runlog.ReadLedger(dir); err != nil {
		return nil, nil, err
	}
	data := filepath.Dir(filepath.Dir(filepath.Clean(dir)))
	for i := range all.Records {
		if r := &all.Records[i]; r.Text("kind") == lineRun {
			t, err := taking(r)
			if err != nil {
				wrong = append(wrong, err.Error())
			} else if said := t.Check(filepath.Join(cursor.CellDir(data, t.Cell), t.Run)); said != "" {
				wrong = append(wrong, said)
			}
		}
	}
	return all, wrong, nil
}
