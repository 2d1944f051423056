package runlog

import (
	"fmt"
	"strconv"

	"nightcell/integrate"
)

// sameCoulometer reports whether two coulometers agree to the last bit; with nil, none does.
func sameCoulometer(a, b *integrate.Coulometer) bool {
	return a != nil && b != nil && a.State().Equal(b.State()) && a.Settings() == b.Settings()
}

// mostDifferences are named of one checkpoint; what follows from them differs too.
const mostDifferences = 4

// differences names the figures in which a checkpoint departs from what the readings before it give, in
// the log's own names and units, each with both values.
func differences(stored, replayed *integrate.Coulometer) []string {
	if replayed == nil {
		return []string{"nothing that can be read begins the run before it"}
	}
	var found []string
	a, b := stored.State(), replayed.State()
	sa, sb := stored.Settings(), replayed.Settings()
	theirs := append(settingsTable(&sa), stateTable(&a.Accumulated)...)
	ours := append(settingsTable(&sb), stateTable(&b.Accumulated)...)
	for i := range theirs {
		if theirs[i].differs(ours[i]) && len(found) < mostDifferences {
			found = append(found, fmt.Sprintf("%s is %s and should be %s", theirs[i].key, theirs[i].text(), ours[i].text()))
		}
	}
	if len(found) == 0 {
		found = append(found, "the gaps or the ripple differ")
	}
	return found
}

func (n numbered) differs(o numbered) bool {
	if n.int != nil {
		return *n.int != *o.int
	}
	return *n.float != *o.float
}

// text is the value as the log writes it.
func (n numbered) text() string {
	if n.int != nil {
		return strconv.FormatInt(*n.int, 10)
	}
	return strconv.FormatFloat(*n.float, 'g', -1, 64)
}
