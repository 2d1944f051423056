package run

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"nightcell/alerts"
	"nightcell/daemon/runlog"
	"nightcell/drivers"
	"nightcell/integrate/bath"
)

// memory is what a checkpoint carries besides the coulometer, so that a later
// process goes on with the bath, the alarms and the operator's word as they were.
type memory struct {
	Mark     landmark        `json:"mark"`
	Bath     *bath.State     `json:"bath,omitempty"`
	Alarms   alerts.Memory   `json:"alarms"`
	Identity string          `json:"identity"`
	On       bool            `json:"on"`
	Set      *float64        `json:"set,omitempty"`       // current set-point, A
	SetVolts *float64        `json:"set_volts,omitempty"` // voltage set-point, V
	Shunted  float64         `json:"shunted,omitempty"`   // C
	Cleared  clearance       `json:"cleared"`
	Reached  bool            `json:"reached"`
	Target   float64         `json:"target,omitzero"` // C
	Expected bool            `json:"expected"`        // the output is off, or to be, on purpose
	Failed   bool            `json:"off_failed,omitempty"`
	Parted   bool            `json:"parted,omitempty"`
	Altered  string          `json:"altered,omitempty"` // what became of the log behind the watch's back
	Began    time.Time       `json:"began,omitzero"`    // of the run, which a log that was begun anew is not named by
	Acted    map[string]bool `json:"acted,omitempty"`
	Abort    *abort          `json:"abort,omitempty"`
	Late     int64           `json:"late,omitzero"` // time stamp of the last late entry that was followed
}

// memoryField is the name under which a checkpoint carries the memory.
const memoryField = "watch"

// remember gathers the memory as it is now.
func (r *Run) remember() memory {
	m := memory{
		Mark: r.time.landmark(r.lastGood), Alarms: r.alarms.State(), Identity: r.supply.Known(),
		On: r.lastOn, Shunted: r.shunted, Cleared: r.cleared, Reached: r.reached, Target: r.target, Expected: r.hands.expected, Failed: r.hands.failed, Parted: r.hands.parted,
		Abort: r.abort, Late: r.late,
		Altered: r.altered, Began: r.began,
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
		return runlog.Field{}, fmt.Errorf("putting the watch's memory into words: %w", err)
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
	r.lastOn, r.shunted, r.cleared, r.reached, r.hands.expected = m.On, m.Shunted, m.Cleared, m.Reached, m.Expected
	r.hands.failed, r.hands.parted, r.target, r.altered, r.late = m.Failed, m.Parted, m.Target, m.Altered, m.Late
	if !m.Began.IsZero() {
		r.began = m.Began
	}
	r.points = unknownSetPoints
	if m.Set != nil {
		r.points.Amperes = drivers.Amperes(*m.Set)
	}
	if m.SetVolts != nil {
		r.points.Volts = drivers.Volts(*m.SetVolts)
	}
	if m.Identity != "" {
		r.supply.Identity = identityOf(m.Identity)
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

// identityOf reads what drivers.Identity.String wrote.
func identityOf(text string) drivers.Identity {
	f := append(strings.SplitN(text, ",", 4), "", "", "")
	return drivers.Identity{Maker: f[0], Model: f[1], Serial: f[2], Firmware: f[3]}
}
