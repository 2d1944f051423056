package push

import "time"

// Health is how one cell's lines are getting on.
type Health struct {
	Lag          time.Duration // age of the oldest line that is known and not yet acknowledged, 0 when there is none
	WaitingBytes int64         // of the logs, not yet acknowledged
	Lines        uint64        // acknowledged since the start
	SetAside     uint64        // lines that the database will never take, since the start
	Failures     uint64        // failed requests since the start
	LastError    string        // of the newest attempt; empty when it succeeded
}

// Health returns how a cell's lines are getting on; false when its log is not sent.
// It waits for nothing but a few assignments.
func (p *Push) Health(cell string) (Health, bool) {
	for _, q := range p.queues {
		if q.cell != cell {
			continue
		}
		q.mu.Lock()
		h, oldest := q.health, q.oldest
		q.mu.Unlock()
		if oldest != 0 {
			h.Lag = max(0, time.Since(time.Unix(0, oldest)))
		}
		return h, true
	}
	return Health{}, false
}

// note takes down how a request with lines of this cell went.
func (q *queue) note(lines, aside int, err error) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if err != nil {
		q.health.Failures++
		q.health.LastError = err.Error()
		return
	}
	q.health.Lines += uint64(lines - aside)
	q.health.SetAside += uint64(aside)
	q.health.LastError = ""
}

// looked takes down whether the log could be read, and says whether a failure is news.
func (q *queue) looked(err error) (news bool) {
	q.mu.Lock()
	defer q.mu.Unlock()
	switch {
	case err == nil && q.unread:
		q.unread, q.health.LastError = false, ""
	case err != nil:
		news = !q.unread
		q.unread, q.health.LastError = true, err.Error()
		q.health.Failures++
	}
	return news
}

// owes takes down the oldest line that waits and how much waits with it.
func (q *queue) owes(oldest, bytes int64) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.oldest == 0 {
		q.oldest = oldest
	}
	q.health.WaitingBytes = bytes
}
