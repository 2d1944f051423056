package sentence

import (
	"cmp"
	"slices"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/daemon/snapshot"
)

// ByUrgency returns alarms in the order in which a person should read them: those
// that hold before those that are over and kept, then those over and unanswered, then those
// set aside; among them by priority, the cause before its consequences, the older first.
func ByUrgency(alarms []snapshot.Alarm) []snapshot.Alarm {
	sorted := slices.Clone(alarms)
	slices.SortStableFunc(sorted, func(a, b snapshot.Alarm) int {
		return cmp.Or(
			cmp.Compare(stage(a), stage(b)), cmp.Compare(priority(b), priority(a)),
			cmp.Compare(side(a), side(b)), a.Since.Compare(b.Since),
		)
	})
	return sorted
}

// Urgency is the priority of the most urgent alarm that holds and that nobody has answered, -1 when there is none.
func Urgency(alarms []snapshot.Alarm) int {
	most := -1
	for _, a := range alarms {
		if s, ok := stateOf(a); ok && s == alerts.UNACK {
			most = max(most, priority(a))
		}
	}
	return most
}

// stage orders the states of the lifecycle.
func stage(a snapshot.Alarm) int {
	s, ok := stateOf(a)
	switch {
	case !ok || s.Hidden():
		return 4
	case s.Active():
		return 1
	case s == alerts.LTUNK || s == alerts.LTACK:
		return 2
	}
	return 3
}

func priority(a snapshot.Alarm) int {
	p, err := routes.ParsePriority(a.Priority)
	if err != nil {
		return -1
	}
	return int(p)
}

// side puts the first out before what followed from it.
func side(a snapshot.Alarm) int {
	if a.First {
		return 0
	}
	return 1
}

func stateOf(a snapshot.Alarm) (alerts.State, bool) {
	var s alerts.State
	err := s.UnmarshalText([]byte(a.State))
	return s, err == nil
}
