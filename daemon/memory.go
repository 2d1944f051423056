package daemon

import (
	"encoding/json"
	"errors"
	"fmt"
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
}

// memoryField is the name under which a checkpoint carries the memory.
const memoryField = "watch"

// remember gathers the memory as it is now.
func (r *run) remember(c *Cell) memory {
	m := memory{
		Mark: r.time.landmark(r.lastGood), Alarms: r.alarms.State(), Identity: c.link.known(),
		On: r.lastOn, Shunted: r.shunted, Cleared: r.cleared, Reached: r.reached, Target: r.target, Expected: r.offExpected, Failed: r.offFailed, Parted: r.parted,
		Abort:   r.abort,
		Altered: r.altered, Began: r.began,
	}
	if a := float64(r.set.Amperes); a == a { // JSON has no NaN
		m.Set = &a
	}
	if v := float64(r.set.Volts); v == v {
		m.SetVolts = &v
	}
	if p := c.set.Plan; p != nil {
		state := p.Model.State()
		m.Bath = &state
	}
	for condition := range r.acted {
		if m.Acted == nil {
			m.Acted = make(map[string]bool)
		}
		m.Acted[condition.String()] = true
	}
	return m
}

// checkpoint writes the state of everything into the log.
func (r *run) checkpoint(c *Cell, utc time.Time) error {
	memory, err := r.memoryField(c)
	if err != nil {
		return err
	}
	return r.log.Checkpoint(utc, r.count, memory)
}

// memoryField is the memory as a checkpoint carries it.
func (r *run) memoryField(c *Cell) (runlog.Field, error) {
	b, err := json.Marshal(r.remember(c))
	if err != nil {
		return runlog.Field{}, fmt.Errorf("putting the watch's memory into words: %w", err)
	}
	return runlog.Text(memoryField, string(b)), nil
}

// recall takes a memory up again. The error says what of it cannot be used, such as what
// another version wrote; the watch goes on without that.
func (r *run) recall(c *Cell, m memory) (failed error) {
	r.lastOn, r.shunted, r.cleared, r.reached, r.offExpected = m.On, m.Shunted, m.Cleared, m.Reached, m.Expected
	r.offFailed, r.parted, r.target, r.altered = m.Failed, m.Parted, m.Target, m.Altered
	if !m.Began.IsZero() {
		r.began = m.Began
	}
	r.set = unknownSetPoints
	if m.Set != nil {
		r.set.Amperes = drivers.Amperes(*m.Set)
	}
	if m.SetVolts != nil {
		r.set.Volts = drivers.Volts(*m.SetVolts)
	}
	if m.Identity != "" {
		if c.link.expected == "" {
			c.link.expected = m.Identity
		}
		c.link.rememberIdentity(m.Identity)
	}
	for name := range m.Acted {
		condition, err := alerts.ParseCondition(name)
		if err != nil {
			failed = errors.Join(failed, err)
			continue
		}
		r.acted[condition] = true
	}
	if p := c.set.Plan; p != nil && m.Bath != nil {
		if err := p.Resume(*m.Bath); err != nil {
			failed = errors.Join(failed, fmt.Errorf("the bath: %w", err))
		}
	}
	return failed
}
