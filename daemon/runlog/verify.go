package runlog

import (
	"errors"
	"fmt"
	"io"

	"nightcell/integrate"
)

// Report is what a whole log tells when it is read from end to end and
// integrated again.
type Report struct {
	Bytes       int64 // of whole lines
	Sealed      int64 // of these, up to and with the line of the end; 0: the run goes on
	Lines       int64
	Readings    int64
	Checkpoints int64
	Totals      integrate.Totals
	// Carried are the totals that a log which was begun anew started from; the readings before them are not in it.
	Carried *integrate.Totals
	Cell    string
	Ended   bool

	// Damage names what cannot be vouched for, at most its first hundred places. The totals
	// go on from the next checkpoint, which carries them across.
	Damage      []Damage
	DamageCount int64
	// Mismatches are checkpoints, and the end of the run, whose totals do not follow from
	// the readings before them although nothing is damaged.
	Mismatches []Mismatch
	// LostLines were never written, for lack of room; the log says so itself.
	LostLines int64

	// UncheckedBytes after the last checkpoint are read and counted, but nothing
	// vouches for them. A running or killed watch leaves some, an ended one none.
	UncheckedBytes int64
	// TornBytes at the end are not a whole line.
	TornBytes int64
}

// Mismatch is a line whose totals contradict the readings.
type Mismatch struct {
	Offset         int64   `json:"at_byte"`                // of the line
	Stored         float64 `json:"stored_charge_coulombs"` // total charge
	Replayed       float64 `json:"replayed_charge_coulombs"`
	StoredJoules   float64 `json:"stored_energy_joules"` // total energy
	ReplayedJoules float64 `json:"replayed_energy_joules"`
	// Figures names what of a checkpoint differs, each with both values; empty for an end.
	Figures []string `json:"figures,omitempty"`
}

// Sound reports that every total stored in the log follows from its readings,
// and that no byte up to the last checkpoint is damaged.
func (r *Report) Sound() bool {
	return r.DamageCount == 0 && len(r.Mismatches) == 0 && r.LostLines == 0
}

// maxNamed bounds lists, so that memory does not grow with the damage.
const maxNamed = 100

// ReplayFile integrates the log of a run again, in constant memory, comparing every
// stored checkpoint on its way. The error tells of a disk that cannot be read; what is wrong
// with the log itself is in the report.
func ReplayFile(runDir string) (*Report, error) { return ReplayEach(runDir, nil, nil) }

// ReplayEach is ReplayFile that shows every record to each, once it is applied; it is valid until each returns. What is read goes to seen too, for whoever shows progress; nil: nobody does.
func ReplayEach(runDir string, each func(*Record, *Replay) error, seen io.Writer) (*Report, error) {
	r, err := Open(runDir)
	if err != nil {
		return nil, err
	}
	r.showTo(seen)
	report, err := replayAll(r, each)
	if err = errors.Join(err, r.Close()); err != nil {
		return nil, fmt.Errorf("%s: %w", runDir, err)
	}
	return report, nil
}

// verifier is a replay that compares.
type verifier struct {
	report  Report
	replay  Replay
	segment int64 // where the bytes begin that the next checkpoint speaks of
	good    int64 // behind the last checkpoint that vouched for itself
	copied  int64 // bytes of lines since then that are copies, for which the next checkpoint does not speak
	newest  int64 // time stamp of that checkpoint
	damaged bool  // a line since then is none
	lost    bool  // lines since then were never written

	end   int64  // behind the last line that is one
	sum   uint32 // CRC-32C of segment to end, without the copies
	named int    // damages before that

	doubt  *Doubt // why the newest checkpoint that vouched for itself is not to be believed; nil: it is
	passed int64  // offset of a checkpoint that is not to be believed; 0: none
}

// replayAll shows every record, once it is applied, to each, which may be nil.
func replayAll(r *Reader, each func(*Record, *Replay) error) (*Report, error) {
	var v verifier
	err := v.all(r, each)
	return v.finish(r), err
}

func (v *verifier) all(r *Reader, each func(*Record, *Replay) error) error {
	var rec Record
	for {
		lines := v.report.Lines
		err := v.next(r, &rec)
		if err == nil && each != nil {
			if err := each(&rec, &v.replay); err != nil {
				return err
			}
		}
		var d *Damage
		switch {
		case err == nil:
		case errors.Is(err, io.EOF):
			return nil
		case errors.Is(err, errTwice):
			v.copied += r.dropLine()
			v.name(Damage{r.at(), r.offset, errTwice.Error()})
		case errors.As(err, &d):
			v.damaged = true
			v.replay.Missing()
			v.name(*d)
		default:
			return err
		}
		if v.report.Lines > lines {
			v.end, v.sum, v.named = r.offset, r.crcLine, len(v.report.Damage)
		}
	}
}

// next takes one line into rec and applies it. A line that is none, or that makes no sense, is *Damage; a
// copy of an earlier one is errTwice.
func (v *verifier) next(r *Reader, rec *Record) (err error) {
	if err := r.Next(rec); err != nil {
		return err
	}
	if err := rec.readable(); err != nil {
		return err
	}
	v.replay.Line = r.line
	v.report.Lines++
	v.report.Cell = rec.Cell
	if rec.Kind == KindReading {
		v.report.Readings++
		err = v.replay.Apply(rec)
	} else {
		err = v.other(r, rec)
	}
	if err != nil && !errors.Is(err, errTwice) {
		return &Damage{r.at(), r.offset, err.Error()}
	}
	return err
}

func (v *verifier) name(d Damage) {
	v.report.DamageCount++
	if len(v.report.Damage) < maxNamed {
		v.report.Damage = append(v.report.Damage, d)
	}
}

func (v *verifier) other(r *Reader, rec *Record) error {
	switch rec.Kind {
	case KindCheckpoint:
		return v.checkpoint(r, rec)
	case KindEntry:
		if rec.Text("kind") == EntryLost {
			n, _ := rec.Integer("lines")
			v.report.LostLines += n
			v.lost = true
		}
		if rec.Text("kind") == EntryEnd && v.replay.Coulometer != nil {
			v.report.Sealed = r.offset
			v.compare(r, rec, "charge_coulombs", "energy_joules", v.replay.Coulometer.Totals())
		}
	}
	return v.replay.Apply(rec)
}

// compare sets the totals that a line states, for people and tools, against what they must be. A
// line that states none says nothing wrong.
func (v *verifier) compare(r *Reader, rec *Record, charge, energy string, want integrate.Totals) {
	coulombs, haveCharge := rec.Number(charge)
	joules, haveEnergy := rec.Number(energy)
	if v.damaged || v.lost || (!haveCharge || coulombs == want.Charge) && (!haveEnergy || joules == want.Energy) {
		return
	}
	v.mismatch(Mismatch{Offset: r.at(), Stored: coulombs, Replayed: want.Charge, StoredJoules: joules, ReplayedJoules: want.Energy})
}

// checkpoint compares what a checkpoint says with what was read and counted, and
// goes on from what it says.
func (v *verifier) checkpoint(r *Reader, rec *Record) error {
	at := r.at()
	if r.vouched() && rec.Nanos <= v.newest {
		v.replay.copying = true
		return errTwice
	}
	segment, copied := v.segment, v.copied
	v.segment, v.copied = r.offset, 0
	crc := r.crc
	r.crcLine = 0
	if !r.vouched() {
		return errCheckpoint
	}
	v.newest = rec.Nanos
	stored, err := restore(rec)
	if err != nil {
		return err
	}
	v.report.Checkpoints++
	v.replay.vouched(rec.Nanos)
	sum, _ := rec.Integer("crc")
	length, _ := rec.Integer("bytes")
	same := sameCoulometer(v.replay.Coulometer, stored)
	carried := v.replay.anew && v.replay.Coulometer == nil
	miscounted := ""
	if got := at - segment - copied; int64(crc) != sum || got != length {
		miscounted = fmt.Sprintf("counts %d bytes with CRC-32C %08x; here are %d with %08x", length, sum, got, crc)
	}
	if v.doubt = nil; miscounted != "" || !v.damaged && !v.lost && !carried && !same {
		v.doubt = doubtOf(at, stored, v.replay.Coulometer, miscounted)
	}
	t := stored.Totals()
	switch {
	case miscounted != "" && !v.damaged:
		v.name(Damage{segment, at, "the checkpoint behind them " + miscounted})
	case carried:
		v.report.Carried = &t
	case !v.damaged && !v.lost && !same:
		m := Mismatch{Offset: at, Stored: t.Charge, StoredJoules: t.Energy, Figures: differences(stored, v.replay.Coulometer)}
		if c := v.replay.Coulometer; c != nil {
			m.Replayed, m.ReplayedJoules = c.Totals().Charge, c.Totals().Energy
		}
		v.mismatch(m)
	default:
		v.compare(r, rec, "total_charge", "total_energy", t)
	}
	switch {
	case at > 0 && at == v.passed:
	case same:
		v.replay.Ended = v.replay.Ended || rec.Flag("ended") // the line of the end may be damaged
	default:
		v.replay.from(stored, rec)
	}
	v.replay.missing = false
	v.damaged, v.lost, v.good = false, false, r.offset
	return nil
}

func (v *verifier) mismatch(m Mismatch) {
	if len(v.report.Mismatches) < maxNamed {
		v.report.Mismatches = append(v.report.Mismatches, m)
	}
}

func (v *verifier) finish(r *Reader) *Report {
	report := &v.report
	report.Bytes, report.TornBytes = r.offset, int64(r.end-r.start)
	report.UncheckedBytes = r.offset - v.good
	report.Ended = v.replay.Ended
	if v.replay.Coulometer != nil {
		report.Totals = v.replay.Coulometer.Totals()
	}
	return report
}
