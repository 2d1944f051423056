package late

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"nightcell/daemon/control"
	"nightcell/daemon/runlog"
)

// Pictures are the kinds of file that cameras make, by their endings.
var Pictures = []string{".jpg", ".jpeg", ".png", ".webp", ".heic", ".gif"}

// largestPhoto bounds what is copied in beside a log.
const largestPhoto = 64 << 20

// Photo copies the file that an entry of a photo names to the directory of a run, under a name that follows from its
// content, and returns the entry with that name and the SHA-256. Doing it again changes nothing.
func Photo(runDir string, e control.Entry) (control.Entry, error) {
	path := e.Words["file"]
	if !slices.Contains(Pictures, strings.ToLower(filepath.Ext(path))) {
		return e, control.BadRequest("%s does not end as a picture does; a photo ends in %s", path, strings.Join(Pictures, ", "))
	}
	info, err := os.Stat(path)
	switch {
	case err != nil:
		return e, control.BadRequest("file: %w", err)
	case !info.Mode().IsRegular() || info.Size() == 0 || info.Size() > largestPhoto:
		return e, control.BadRequest("%s cannot be copied: it must be a plain file of 1 byte to %d MiB", path, largestPhoto>>20)
	}
	data, sum, err := hashed(path)
	if stated := e.Words["sha256"]; err == nil && stated != "" && !strings.EqualFold(stated, sum) {
		err = control.BadRequest("%s has the SHA-256 %s, not the one stated", path, sum)
	}
	if err != nil {
		return e, err
	}
	name := "photo-" + sum[:16] + strings.ToLower(filepath.Ext(path))
	e.Words = map[string]string{"file": name, "sha256": sum}
	return e, runlog.WriteFileAtomic(runlog.Disk{}, filepath.Join(runDir, name), data, 0o640)
}

func hashed(path string) (data []byte, sum string, err error) {
	data, err = os.ReadFile(path)
	hash := sha256.Sum256(data)
	return data, hex.EncodeToString(hash[:]), err
}

// CheckPhotos says of every photo among entries that is not in the directory of its run as it was copied there.
func CheckPhotos(runDir string, entries []runlog.Record) (wrong []string) {
	for _, r := range entries {
		if r.Text("kind") != control.EntryPhoto {
			continue
		}
		name := filepath.Base(r.Text("file"))
		switch _, sum, err := hashed(filepath.Join(runDir, name)); {
		case errors.Is(err, fs.ErrNotExist):
			wrong = append(wrong, name+" is gone")
		case err != nil:
			wrong = append(wrong, err.Error())
		case sum != r.Text("sha256"):
			wrong = append(wrong, name+" differs from the file that was copied in, by its SHA-256")
		}
	}
	return wrong
}
