package run

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"time"

	"nightcell/alerts"
	"nightcell/configs/quantity"
	"nightcell/daemon/control"
	"nightcell/daemon/runlog"
	"nightcell/drivers"
	"nightcell/integrate"
	"nightcell/integrate/bath"
)

// Resume continues the cell's open run, or takes up in past what the run that ended last left to be done. It
// returns nil when no run is open. The dark time becomes a gap with the first reading.
func Resume(s *Settings, f *Facts, past *Past) (*Run, error) {
	dir, ended, err := runlog.LatestRun(s.DataDir, s.Cell)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, nil
	case err != nil:
		return nil, fmt.Errorf("looking for the previous run: %w", err)
	}
	r := blank(s)
	r.time.told = f.Moment
	log, tail, err := runlog.Resume(dir, r.logOptions())
	switch {
	case err == nil:
	case ended:
		s.Log.Warn("the end of the previous run cannot be read", "cell", s.Cell, "run", dir, "err", err)
		return nil, nil
	case errors.Is(err, fs.ErrNotExist):
		s.Log.Warn("a run has no log: power failed while it was being created", "cell", s.Cell, "run", dir)
		return nil, nil
	default:
		return nil, fmt.Errorf("resuming the run in %s: %w", dir, err)
	}
	if tail.Coulometer == nil || tail.Ended && !ended {
		return nil, log.Close()
	}
	r.dir, r.log, r.count = dir, log, tail.Coulometer
	if r.Began, err = runlog.Began(dir); err != nil {
		return nil, errors.Join(fmt.Errorf("resuming the run in %s: %w", dir, err), log.Close())
	}
	m, err := memoryOf(tail)
	if ended {
		r.readUTC = time.Unix(0, tail.LastNanos).UTC()
		why, err := runlog.EndOf(dir)
		return nil, errors.Join(past.resume(r, m, cmp.Or(why, "it ended")), err)
	}
	if err != nil {
		// The charge stands without it; only what was learned of the cell is learned anew.
		s.Log.Warn("the saved monitoring state cannot be read; starting afresh", "cell", s.Cell, "err", err)
	}
	r.resume(f, tail, m)
	return r, nil
}

// resume puts the run back on its feet. The memory is nil where it cannot be read.
func (r *Run) resume(f *Facts, tail *runlog.Tail, m *memory) {
	r.supply, r.fresh, r.resumed = f.Supply, true, true
	r.noticed = time.Unix(0, tail.LastNanos)
	last, _ := r.count.Last()
	// The dark begins with the last reading; what was written after it, while the
	// supply was silent, only tells how far the wall clock had come.
	mark := landmark{At: last.At, UTC: time.Unix(0, tail.LastNanos).UTC(), newest: time.Unix(0, tail.LastNanos)}
	if tail.Last.Nanos != 0 {
		mark.UTC = time.Unix(0, tail.Last.Nanos).UTC()
	}
	var since time.Duration // from the memory's last reading to the last
	if m != nil {
		elapsed, _ := tail.Checkpoint.Integer("elapsed")
		since = last.At - time.Duration(elapsed)
		if m.Mark.Boot != "" { // carry the checkpoint's landmark on to the last reading
			// The landmark's own run time begins before the first reading where that came late.
			mark.Boot = m.Mark.Boot
			mark.Since = m.Mark.Since + time.Duration(float64(since)/r.settings.Speed)
			mark.Doubt = m.Mark.Doubt
		}
		if err := r.recall(*m); err != nil {
			r.settings.Log.Warn("part of the saved monitoring state cannot be used; that part starts afresh", "cell", r.settings.Cell, "err", err)
		}
	}
	r.atRest = r.count.State().Zero.Amperes
	own := &tail.Last.Supply
	if tail.Last.Nanos != 0 { // newer than the memory
		r.LastOn = r.live(drivers.Reading{Amperes: drivers.Amperes(tail.Last.Amperes), Output: drivers.ParseOutput(tail.Last.Output), Shown: *own})
	}
	var dark time.Duration
	var known bool
	r.time, dark, known = resumeTimeline(f.Moment, r.settings.Speed, mark)
	r.lastGood, r.lastLive, r.heard = last.At, last.At, last.At
	if own.Metered {
		r.Own = float64(own.Amperes)
	}
	if m != nil && (own.Silent || since == 0) {
		r.heard = cmp.Or(m.Heard, r.heard)
	}
	if m != nil {
		restored, err := alerts.Restore(r.settings.Limits, r.settings.Chemistry, m.Alarms, r.now())
		if err != nil {
			r.settings.Log.Warn("the saved alarm states cannot be used; starting afresh", "cell", r.settings.Cell, "err", err)
		} else {
			r.alarms = restored
		}
	}
	r.catchUp(tail)
	r.Reckon() // for the notices of what is followed
	if _, err := r.followLate(); err != nil {
		r.settings.Log.Warn("the late entries cannot be read", "cell", r.settings.Cell, "err", err)
	}
	r.Reckon()
	text := fmt.Sprintf("nightcell was stopped for %s", quantity.Duration(dark))
	if !known {
		text = "nightcell was stopped for an unknown time: the wall clock is behind the newest reading and the machine was restarted; the gap is booked once the clock is set, until then its charge is missing"
	}
	if tail.Last.Nanos == 0 {
		text += "; it was killed before the first reading was written, so the charge since the start of the run is not counted"
	}
	r.settings.Log.Info("run resumed", "cell", r.settings.Cell, "run", r.dir, "away", dark, "cut_bytes", tail.CutBytes, "damage", len(tail.Damage))
	r.note(r.log.Entry(r.utc(), "resumed", text, runlog.Integer("dark", int64(dark)), runlog.Flag("known", known)))
	if d := tail.Doubt; d != nil {
		r.Altered = d.Reason
		r.alteredAgain()
		r.settings.Log.Error("the end of the run log contradicts itself", "cell", r.settings.Cell, "run", r.dir, "err", d.Reason)
	}
	r.meters.begin(r.now())
	r.takeMeter()
	r.relist()
	r.checkpoint()
}

// catchUp lets the bath follow what was logged after the last checkpoint, and all of it if there was no memory.
func (r *Run) catchUp(tail *runlog.Tail) {
	p := r.settings.Plan
	if p == nil {
		return
	}
	for i := range tail.Records {
		if rec := &tail.Records[i]; rec.Kind == runlog.KindEntry { // booked as it was booked when it was written
			if _, err := p.Book(control.EntryOf(rec).Booking(), bath.Outcome(rec.Text(outcomeField))); err != nil {
				r.settings.Log.Warn("an entry cannot be applied", "cell", r.settings.Cell, "kind", rec.Text("kind"), "err", err)
			}
		}
	}
	t := r.count.Totals()
	if behind := t.Charge - r.Shunted - p.Model.Charge(); behind != 0 {
		seconds := math.Max(t.Elapsed.Seconds()-p.Model.State().Seconds, 0)
		if r.shorted() {
			r.Shunted += behind
		} else {
			p.Model.Step(behind, math.Max(seconds, 1e-9))
		}
	}
}

// memory is what a checkpoint carries besides the coulometer, so that a later
// process goes on with the bath, the alarms and the operator's word as they were.
type memory struct {
	kept
	Mark     landmark        `json:"mark"`
	Bath     *bath.State     `json:"bath,omitempty"`
	Alarms   alerts.Memory   `json:"alarms"`
	Identity string          `json:"identity"`
	Set      *float64        `json:"set,omitempty"`       // current set-point, A
	SetVolts *float64        `json:"set_volts,omitempty"` // voltage set-point, V
	Heard    time.Duration   `json:"heard,omitzero"`      // run time of the supply's newest reading, if a meter has counted since
	Target   float64         `json:"target,omitzero"`     // C
	Expected bool            `json:"expected"`            // the output is off, or to be, on purpose
	Failed   bool            `json:"off_failed,omitempty"`
	Parted   bool            `json:"parted,omitempty"`
	Acted    map[string]bool `json:"acted,omitempty"`
}

// memoryField is the name under which a checkpoint carries the memory.
const memoryField = "watch"

// remember gathers the memory as it is now.
func (r *Run) remember() memory {
	m := memory{
		kept: r.kept, Mark: r.time.landmark(r.lastGood), Alarms: r.alarms.State(), Identity: r.supply.Known(),
		Expected: r.hands.expected, Failed: r.hands.failed, Parted: r.hands.parted,
	}
	if !math.IsInf(r.target, 0) { // out of reach: it is worked out anew
		m.Target = r.target
	}
	if r.heard < r.lastGood {
		m.Heard = r.heard
	}
	if a := float64(r.points.Amperes); a == a { // JSON has no NaN
		m.Set = &a
	}
	if v := float64(r.points.Volts); v == v {
		m.SetVolts = &v
	}
	if p := r.settings.Plan; p != nil {
		state := p.Model.State()
		m.Bath = &state
	}
	for condition := range r.hands.acted {
		if m.Acted == nil {
			m.Acted = make(map[string]bool)
		}
		m.Acted[condition.String()] = true
	}
	return m
}

// checkpoint writes the state of everything into the log.
func (r *Run) checkpoint() { r.note(r.writeCheckpoint()) }

func (r *Run) writeCheckpoint() error {
	field, err := r.remember().field()
	if err != nil {
		return err
	}
	return r.log.Checkpoint(r.utc(), r.count, field)
}

// field is the memory as a checkpoint carries it.
func (m memory) field() (runlog.Field, error) {
	b, err := json.Marshal(m)
	if err != nil {
		return runlog.Field{}, fmt.Errorf("encoding the monitoring state: %w", err)
	}
	return runlog.Text(memoryField, string(b)), nil
}

// memoryOf reads the watch's memory from the last checkpoint.
func memoryOf(tail *runlog.Tail) (*memory, error) {
	if tail.Checkpoint == nil || tail.Checkpoint.Text(memoryField) == "" {
		return nil, errors.New("no checkpoint holds it")
	}
	m := new(memory)
	if err := json.Unmarshal([]byte(tail.Checkpoint.Text(memoryField)), m); err != nil {
		return nil, fmt.Errorf("reading the checkpoint: %w", err)
	}
	return m, nil
}

// recall takes a memory up again. The error says what of it cannot be used, such as what
// another version wrote; the watch goes on without that.
func (r *Run) recall(m memory) (failed error) {
	if m.Began.IsZero() { // written by an earlier version
		m.Began = r.Began
	}
	r.kept, r.Abort = m.kept, nil // the run goes on
	r.hands.expected, r.hands.failed, r.hands.parted, r.target = m.Expected, m.Failed, m.Parted, m.Target
	r.points = unknownSetPoints
	if m.Set != nil {
		r.points.Amperes = drivers.Amperes(*m.Set)
	}
	if m.SetVolts != nil {
		r.points.Volts = drivers.Volts(*m.SetVolts)
	}
	if m.Identity != "" {
		r.supply.Identity = drivers.ParseIdentity(m.Identity)
	}
	for name := range m.Acted {
		condition, err := alerts.ParseCondition(name)
		if err != nil {
			failed = errors.Join(failed, err)
			continue
		}
		r.hands.acted[condition] = true
	}
	if p := r.settings.Plan; p != nil && m.Bath != nil {
		if err := p.Resume(*m.Bath); err != nil {
			failed = errors.Join(failed, fmt.Errorf("the bath: %w", err))
		}
	}
	return failed
}

const (
	diskEvery = time.Minute      // run time between looks at the free space and for late entries
	lookEvery = 10 * time.Second // between looks whether the log still lies where it is written
	// checkpointEvery bounds what a kill can make the alarms forget; the coulometer and the
	// alarm states themselves lose nothing. A checkpoint is some 13 KB, so it is not written oftener.
	checkpointEvery = 5 * time.Minute
)

// logOptions are those of the run log; its pace is the run's own clock.
func (r *Run) logOptions() runlog.Options {
	every := cmp.Or(r.settings.Checkpoints, checkpointEvery)
	return runlog.Options{
		Sync: r.settings.Sync, CheckpointEvery: every, FS: r.settings.FS,
		Now: func() time.Time { return time.Unix(0, int64(r.time.told.Mono)) },
	}
}

// writeGap writes a gap with its evidence, and what the chemistry makes of it.
func (r *Run) writeGap(utc time.Time, step *integrate.Step, e *integrate.Evidence) {
	r.settings.Log.Warn("gap", "cell", r.settings.Cell, "length", step.Elapsed.Round(time.Millisecond),
		"best_coulombs", math.Round(step.Gap.Best), "low_coulombs", math.Round(step.Gap.Low), "high_coulombs", math.Round(step.Gap.High))
	r.note(r.log.Gap(utc, r.kindOfGap(), step.Gap, *e))
	text := interruption(r.settings.Chemistry, step.Gap, e.OnBefore)
	if e.LineLost {
		text = "contact with the supply was lost and regained, as after a power failure; " + text
	}
	r.note(r.log.Entry(utc, "remark", text))
}

// lookAtLog looks at the log's health and, now and then, at its place and the free space.
func (r *Run) lookAtLog() {
	now := r.now()
	if now >= r.lookAt {
		r.lookAt = now + lookEvery
		r.log.Look()
	}
	if cause := r.log.Health().Cause; errors.Is(cause, runlog.ErrDisplaced) {
		r.beginLogAnew(cause)
	}
	if cause := r.log.Health().Cause; (cause != nil) != r.logWaiting {
		r.logWaiting = cause != nil
		if r.logWaiting {
			r.settings.Log.Error("the run log cannot be written; lines are waiting in memory", "cell", r.settings.Cell, "err", cause)
		} else {
			r.settings.Log.Info("the run log is written again", "cell", r.settings.Cell)
		}
	}
	if r.diskAt == 0 || now-r.diskAt >= diskEvery {
		free := r.settings.Free
		if free == nil {
			free = freeBytes
		}
		r.diskAt, r.diskFree = now, free(r.dir)
		if followed, _ := r.followLate(); followed { // trouble is told when the run is taken up
			r.Reckon() // what is left may have moved, and the target is looked at in this round
			r.checkpoint()
		}
	}
}

// beginLogAnew goes on in another log when the present one can no longer be found where it was written.
// The charge and all that was learned come over in a checkpoint.
func (r *Run) beginLogAnew(cause error) {
	utc := r.utc()
	before := r.dir
	r.Altered = fmt.Sprintf("%v; counting continues in a new log; readings before %s are in the missing one", cause, utc.UTC().Format(time.RFC3339))
	field, err := r.remember().field()
	if err == nil {
		err = r.log.Anew(utc, r.Altered, r.settings.Frozen, r.count, field)
	}
	r.note(err)
	r.dir, r.diskAt = r.log.Run(), 0
	r.alteredAgain()
	r.settings.Log.Error("the run log was removed, replaced or cut; a new one continues from the charge counted so far", "cell", r.settings.Cell, "err", cause, "before", before, "run", r.dir)
}

// alteredAgain raises the alarm anew where somebody has acknowledged what happened to the log before.
func (r *Run) alteredAgain() {
	ch, err := r.alarms.Obey(alerts.LogAltered, alerts.Order{Do: alerts.Reannounce, By: "nightcell"}, r.utc())
	if err != nil {
		return // it is not acknowledged, so it stands or is raised with the next reading
	}
	ch.Text = r.Altered
	r.follow([]alerts.Change{ch})
}

// Sync makes all that is written durable. What the disk does not take shows in the log's health.
func (r *Run) Sync() { _ = r.log.Sync() }

// Close leaves the run open for the next process: synced, with a last checkpoint. The error says what is not safe.
func (r *Run) Close(f *Facts) error {
	r.Learn(f)
	err := errors.Join(
		r.log.Entry(r.utc(), "stopped", "nightcell is stopping; the run stays open"),
		r.writeCheckpoint(),
		r.log.Close())
	if err != nil {
		return fmt.Errorf("the run log is not safe on the disk: %w", err)
	}
	return nil
}
