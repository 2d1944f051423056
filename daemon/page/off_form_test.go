package page_test

import (
	"net/http"
	"strings"
	"testing"

	"nightcell/daemon/snapshot"
)

// TestOffFormNamesTheMetalAtHand: the step before an output goes off says what this cell's deposit does at rest, and of no other.
func TestOffFormNamesTheMetalAtHand(t *testing.T) {
	copper, stated := zinc("copper-1"), zinc("zinc-1")
	copper.Metal, copper.AtRest = "Cu", "copper redissolves only slowly"
	stated.Lift, stated.AtRest = true, "zinc dissolves in its own acid as soon as the current stops"
	b := newBench(t, benchOptions{token: operatorToken, cells: []*snapshot.Cell{copper, stated, zinc("bare-1")}})
	v := b.visitor()
	v.signIn()
	const lift = "lift the cathode out slowly, then off"
	for cell, want := range map[string]string{
		"copper-1": "copper redissolves only slowly. Switch off first;", "zinc-1": "zinc dissolves in its own acid as soon as the current stops. With a person",
		"bare-1": "The metal is not configured",
	} {
		page := v.get("/cell/" + cell + "/off")
		v.want(cell, page, http.StatusOK)
		if !strings.Contains(page.body, want) || strings.Contains(page.body, "manganese") || strings.Contains(page.body, "nickel") || strings.Contains(page.body, lift) != (cell != "copper-1") {
			t.Errorf("%s: %q is not said, or another metal is named, in\n%s", cell, want, page.body)
		}
	}
}
