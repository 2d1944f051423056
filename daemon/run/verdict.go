package run

import (
	"fmt"
	"strings"
	"time"

	"nightcell/alerts/routes"
	"nightcell/daemon/control"
	"nightcell/integrate/bath"
)

// noticeOfVerdict tells every route of an entry that contradicts the books or settles one that did.
func (r *Run) noticeOfVerdict(utc time.Time, e control.Entry, v bath.Verdict) string {
	n := routes.Notice{Kind: routes.Milestone, Priority: routes.High}
	against := strings.Join(v.Against, "; ")
	switch {
	case v.Outcome == bath.Held:
		n.Priority = routes.Highest // the stop may have moved: no route is kept for something more urgent
		n.Subject = fmt.Sprintf("%s: %s taken against the books, %s", r.settings.Cell, e.Kind, v.Consequence())
		n.Text = fmt.Sprintf("%s entered it as certain: %s. With it, %s. Until it is confirmed the earlier of both targets acts.", e.By, against, v.Consequence())
		n.First = fmt.Sprintf("Look whether it is a slip. Another person confirms it: nightcell enter %s confirm, or the page. Anyone may enter a new assay: it confirms the entry, or takes it back.", r.settings.Cell)
	case v.Outcome == bath.Confirmed:
		n.Subject = r.settings.Cell + ": an entry is confirmed"
		n.Text = fmt.Sprintf("%s confirmed by %s the entry that contradicted the books; its target acts alone now.", e.By, e.Kind)
		if e.Kind == bath.EntryConfirm {
			n.Text = e.By + " confirmed the entry that contradicted the books; its target acts alone now."
		}
	case v.Outcome == bath.Withdrawn:
		n.Subject = r.settings.Cell + ": an entry is taken back"
		n.Text = fmt.Sprintf("The %s by %s agrees with the books as they were before the entry that contradicted them, so that entry is taken back: %s.", e.Kind, e.By, v.Consequence())
	case against != "":
		n.Priority = routes.Highest
		n.Subject = fmt.Sprintf("%s: %s taken against the books", r.settings.Cell, e.Kind)
		n.Text = fmt.Sprintf("%s entered it as certain: %s. With it, %s.", e.By, against, v.Consequence())
		n.First = "Look whether it is a slip, or what is wrong at the cell."
	default:
		return ""
	}
	r.Notice(utc, n)
	return n.Text
}
