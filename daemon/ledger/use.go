package ledger

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"nightcell/configs"
	"nightcell/daemon/books"
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
