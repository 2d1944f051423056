package page_test

import (
	"strings"
	"testing"

	"nightcell/daemon/snapshot"
)

// TestGapIsToldOnce: what nightcell remarks on a gap stands in the gap's own line, and is no mark on the curves.
func TestGapIsToldOnce(t *testing.T) {
	t.Parallel()
	b := newBench(t, benchOptions{cells: []*snapshot.Cell{zinc("zinc-1")}, prepare: func(data string) { writeRun(t, data, "zinc-1", 3000) }})
	v := b.visitor()
	eventually(t, "the whole history", func() bool {
		return strings.Contains(v.get("/cell/zinc-1/history?points=100").body, `"complete":true`)
	})
	page, curves := v.get("/").body, v.get("/cell/zinc-1/history?points=100").body
	if !strings.Contains(page, "is counted. The supply is unchanged, so the current very likely continued.") {
		t.Error("the gap's line lacks what was remarked on it")
	}
	if strings.Contains(page, "nobody watched for") || strings.Contains(curves, `"text":"Remark"`) {
		t.Error("the gap is told twice")
	}
	if !strings.Contains(curves, "No reading for") || !strings.Contains(curves, `"text":"Addition"`) {
		t.Error("the curves lack the gap or an entry of a person")
	}
	if !strings.Contains(page, "18.420\u00a0±\u00a00.070\u00a0A·h") {
		t.Error("the charge may break from its uncertainty on a narrow screen")
	}
}

// TestAcidIsTheMediums: a chloride bath makes hydrochloric acid, and the page says so.
func TestAcidIsTheMediums(t *testing.T) {
	t.Parallel()
	c := zinc("zinc-1")
	c.Bath.AcidName = "HCl"
	v := newBench(t, benchOptions{cells: []*snapshot.Cell{c}}).visitor()
	if page := v.get("/").body; !strings.Contains(page, "HCl, if it stays in the bath") || strings.Contains(page, "sulfuric") {
		t.Error("the acid is not named after the medium")
	}
}
