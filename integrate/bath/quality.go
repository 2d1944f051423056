package bath

import "nightcell/integrate/matter"

// Quality is what a load ratio i/i_lim usually means for the deposit.
type Quality struct {
	Word   string // for a table
	Text   string // for a sentence
	Mark   matter.Mark
	Source string
}

// QualityAt returns the usual deposit at a ratio of current density to limiting
// current density. The bounds 1/3, 2/3 and 1 are common practice, no source, and
// agree with published work on copper in that open, powdery deposits come near and beyond the limit.
func QualityAt(loadRatio float64) Quality {
	q := Quality{Mark: matter.Assumed, Source: "common practice, no source"}
	switch {
	case !(loadRatio > 0):
		return Quality{}
	case loadRatio < 1.0/3:
		q.Word, q.Text = "compact", "compact, adherent metal"
	case loadRatio < 2.0/3:
		q.Word, q.Text = "rough", "rougher metal with nodules; wash and handle with care"
	case loadRatio < 1:
		q.Word, q.Text = "dendritic", "trees and sponge that short the cell and fall off"
	default:
		q.Word, q.Text = "powder", "powder with vigorous hydrogen"
	}
	return q
}
