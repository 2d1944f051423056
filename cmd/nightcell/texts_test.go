package main

import (
	"go/ast"
	"go/token"
	"path"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// replaced are the words that the glossary in DEVELOPERS.md replaced.
var replaced = regexp.MustCompile(`(?i)(?:^|[^\w-])(` + strings.Join([]string{
	"corridors?", "(?:thermodynamic|its|the) floor", "sets? aside", "won", "wins", "winning", "told", "tells", "mends?", "mended",
	"the dark", "dark time", "fetch(?:es)? you", "likeliest", "unanswered", "nobody has answered", "anew", "in hand", "marginal gram",
	"doubts?", "the books", "head space", "go there", "whoever", "trees?", "(?:keeps?|keeping) (?:the )?watch", "the watch", "notices?",
	"judged again", "lands?marks?", "clearance", "stands", "settles", "(?:is|are|was|were) no",
}, "|") + `)(?:[^\w-]|$)`)

// kept are the uses of such a word that mean something else, and the lines of DEVELOPERS.md that explain names in the code.
var kept = regexp.MustCompile("(?i)door[ -]notice|notice for the door|In the code alone:.*|`[^`]*`|there (?:is|are|was|were) no|(?:is|are|was) no longer")

// complain returns the replaced word in a text, or "".
func complain(text string) string {
	if !replaced.MatchString(text) { // as nearly all
		return ""
	}
	m := replaced.FindStringSubmatch(kept.ReplaceAllString(text, ""))
	if m == nil {
		return ""
	}
	return m[1]
}

// TestTextsKeepToTheGlossary: every literal of several words in the program, and the files that a person reads: configurations with what is said
// against bad ones, scenarios, tables with their notes, scripts and templates of the page and the letters.
func TestTextsKeepToTheGlossary(t *testing.T) {
	_, files := sources(t)
	for _, f := range files {
		if f.isTest() || strings.Contains(f.path, "watchtest") {
			continue
		}
		ast.Inspect(f.ast, func(n ast.Node) bool {
			if f, ok := n.(*ast.Field); ok && f.Tag != nil {
				f.Tag = nil
			}
			l, ok := n.(*ast.BasicLit)
			if !ok || l.Kind != token.STRING {
				return true
			}
			text, err := strconv.Unquote(l.Value)
			if err != nil || !strings.Contains(strings.TrimSpace(text), " ") {
				return true // a key or a name, which is a format of data
			}
			if word := complain(text); word != "" {
				t.Errorf("%s: %q is not in the glossary: %q", f.path, word, text)
			}
			return true
		})
	}
	walkProject(t, func(relative string, data []byte) {
		switch {
		case strings.HasSuffix(relative, ".min.js"), strings.HasSuffix(relative, ".go"):
			return
		case relative == "README.md", relative == "DEVELOPERS.md", strings.HasPrefix(relative, "configs/"), strings.HasPrefix(relative, "testdata/scenarios/"),
			strings.Contains(relative, "/templates/"), strings.Contains(relative, "/letter/"), slices.Contains([]string{".html", ".js", ".toml"}, path.Ext(relative)):
		default:
			return
		}
		for i, line := range strings.Split(string(data), "\n") {
			if word := complain(line); word != "" {
				t.Errorf("%s:%d: %q is not in the glossary: %s", relative, i+1, word, strings.TrimSpace(line))
			}
		}
	})
}

// TestTheGlossaryIsShort: at most 40 words, so that it is read.
func TestTheGlossaryIsShort(t *testing.T) {
	words := 0
	walkProject(t, func(relative string, data []byte) {
		if relative != "DEVELOPERS.md" {
			return
		}
		_, table, _ := strings.Cut(string(data), "| word | meaning |")
		table, _, _ = strings.Cut(table, "\n\n")
		for _, row := range strings.Split(table, "\n")[2:] {
			words += len(strings.Split(strings.Split(row, "|")[1], ","))
		}
	})
	if words == 0 || words > 40 {
		t.Errorf("%d words", words)
	}
}
