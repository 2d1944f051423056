package sentence

import (
	"cmp"
	"slices"

	"nightcell/alerts"
)

// ByUrgency returns alarms in the order in which a person should read them.
func ByUrgency(alarms []alerts.Alarm) []alerts.Alarm {
	return slices.SortedStableFunc(slices.Values(alarms), Before)
}

// Before compares two alarms by the order in which a person should read them: those that hold before those that are over
// and kept, then those over and unanswered, then those set aside; among them by priority, the cause before its
// consequences, the older first.
func Before(a, b alerts.Alarm) int {
	return cmp.Or(
		cmp.Compare(stage(a), stage(b)), cmp.Compare(b.Priority, a.Priority),
		cmp.Compare(side(a), side(b)), a.Since.Compare(b.Since),
	)
}

// Urgency is the priority of the most urgent alarm that holds and that nobody has answered, -1 when there is none.
func Urgency(alarms []alerts.Alarm) int {
	most := -1
	for _, a := range alarms {
		if a.State == alerts.UNACK {
			most = max(most, int(a.Priority))
		}
	}
	return most
}

// stage orders the states of the lifecycle.
func stage(a alerts.Alarm) int {
	switch s := a.State; {
	case s.Hidden():
		return 4
	case s.Active():
		return 1
	case s == alerts.LTUNK || s == alerts.LTACK:
		return 2
	}
	return 3
}

// side puts the first out before what followed from it.
func side(a alerts.Alarm) int {
	if a.First {
		return 0
	}
	return 1
}
