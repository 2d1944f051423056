package accountsheet

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"nightcell/daemon/control"
	"nightcell/daemon/report"
	"nightcell/integrate/account"
)

// mostRows is how many rows a list has on a page of two sheets; JSON has them all.
const mostRows = 8

// barLength is how many blocks the whole variance has.
const barLength = 40

func (s *sheet) budget() report.Table {
	t := report.Table{Key: "budget", Title: "Uncertainty budget of the charge", List: true, Aside: true}
	total := s.Totals.StandardUncertainty * s.Totals.StandardUncertainty
	for _, c := range s.Totals.Budget.Components() {
		f := plain("standard_uncertainty", c.Source, c.StandardUncertainty, report.AmpereHours)
		f.Rough, f.Rows = c.StandardUncertainty, []report.Figure{word("source", c.Source)}
		part := c.StandardUncertainty * c.StandardUncertainty / math.Max(total, math.SmallestNonzeroFloat64)
		f.Note = fmt.Sprintf("%s %.0f %%", strings.Repeat("█", int(math.Round(part*barLength))), 100*part)
		if c.StandardUncertainty == 0 {
			f.Label = ""
		}
		t.Add(f)
	}
	return t
}

func (s *sheet) costs() report.Table {
	t := report.Table{Key: "costs", Title: "Costs", List: true, Aside: true}
	for _, c := range s.Costs {
		f := plain("amount", c.For, c.Sum, report.Money)
		f.Rows = []report.Figure{word("for", c.For)}
		if currency := cmp.Or(c.Currency, s.Currency); currency != "" {
			f.Rows = append(f.Rows, word("currency", currency))
		}
		t.Add(f)
	}
	return t
}

// list is a grid of what happened that stands on the page and in JSON, the first rows of it shown.
func list[T any](key, title string, all []T, cells func(T) []report.Figure, head ...string) report.Table {
	rows := make([]report.GridRow, len(all))
	for i, one := range all {
		if rows[i].Cells = cells(one); i >= mostRows {
			rows[i] = report.GridRow{More: rows[i].Cells}
		}
	}
	if more := len(rows) - mostRows; more > 0 {
		title += fmt.Sprintf(" (the first %d of %d)", mostRows, len(rows))
	}
	return ifAny(report.Table{Key: key, Title: title, Aside: true, Grid: &report.Grid{Head: head, Rows: rows}})
}

func text(key, words string) report.Figure {
	return report.Figure{Key: key, Word: words, Text: words + " "}
}

func (s *sheet) entries() report.Table {
	figures := slices.DeleteFunc(slices.Clone(s.Account.Run.Entries), func(e account.Entry) bool {
		return e.Kind == control.EntryChecklist // says that something was done, and no figure of it
	})
	return list("entries", "Entries", figures, func(e account.Entry) []report.Figure {
		said := control.Entry{Kind: e.Kind, Numbers: e.Numbers, Words: e.Words, Text: e.Text}.Said()
		return []report.Figure{stamp("at_utc", e.At), text("kind", e.Kind), text("by", e.By), text("what", said)}
	}, "at (UTC)", "kind", "by", "what")
}

func (s *sheet) alarms() report.Table {
	return list("alarms", "Alarms", s.Account.Run.Alarms, func(a account.Alarm) []report.Figure {
		until := text("until_utc", "the end")
		if a.To != 0 {
			until = stamp("until_utc", a.To)
		}
		return []report.Figure{stamp("at_utc", a.From), text("condition", a.Condition), text("priority", a.Priority), until, text("acknowledged_by", a.By), text("text", a.Text)}
	}, "at (UTC)", "condition", "priority", "until", "by", "what")
}

func (s *sheet) acts() report.Table {
	return list("acts", "Output switching", s.Account.Run.Acts, func(a account.Act) []report.Figure {
		return []report.Figure{stamp("at_utc", a.At), text("action", a.Action), text("outcome", a.Outcome), text("text", a.Text)}
	}, "at (UTC)", "act", "outcome", "what")
}

func (s *sheet) gaps() report.Table {
	amount := func(key string, coulombs float64) report.Figure { return plain(key, "", coulombs, report.AmpereHours) }
	return list("gaps", "Gaps", s.Account.Run.Gaps, func(g account.Gap) []report.Figure {
		return []report.Figure{stamp("from_utc", g.From), stamp("to_utc", g.To), text("kind", g.Kind), amount("low", g.Low), amount("best", g.Best), amount("high", g.High)}
	}, "from (UTC)", "to", "kind", "low, A·h", "best, A·h", "high, A·h")
}

// files are what the account is a function of.
func (s *sheet) files() report.Table {
	t := report.Table{Key: "files", Title: "Files and checksums", List: true, Aside: true}
	for _, f := range s.Files {
		if f.SHA256 != "" {
			t.Add(report.Figure{Key: "sha256", Label: f.Name, Word: f.SHA256, Text: "SHA-256", Note: f.SHA256, Rows: []report.Figure{word("file", f.Name), {Key: "length_bytes", Word: f.Bytes}}})
		}
	}
	return t
}
