package drivers

import (
	"testing"
	"unicode"
	"unicode/utf8"
)

// The characters are named as in the Unicode standard; those that turn the direction of writing are listed in its annex 9, section 2.
func TestPlain(t *testing.T) {
	for in, want := range map[string]string{
		"EXAMPLE,PS-30-5":    "EXAMPLE,PS-30-5",
		"ZnSO4·7H2O 3 A/dm²": "ZnSO4·7H2O 3 A/dm²",
		"a\u202fb":           "a\u202fb", // a narrow space is a space
		"\x1b[2Ja\x07":       " [2Ja ",
		"a\u009b31mb":        "a 31mb",    // CSI as one C1 character
		"a\x9bb":             "a\uFFFDb",  // the same as a bare byte is broken UTF-8
		"a\u202egpj.exe":     "a gpj.exe", // right-to-left override
		"a\u2066b\u2069":     "a b ",      // isolates
		"\ufeffa\u200bb":     " a b",      // byte order mark, zero width space
		"a\u2028b\u2029c\nd": "a b c d",
		"tab\tand\x7fdelete": "tab and delete",
		"\U000e0041tag":      " tag",
		"":                   "",
	} {
		if got := Plain(in); got != want {
			t.Errorf("%q: %q, want %q", in, got, want)
		}
	}
	if n := testing.AllocsPerRun(100, func() { Plain("constant-current") }); n != 0 {
		t.Errorf("%g allocations for plain text", n)
	}
}

func FuzzPlain(f *testing.F) {
	f.Add("\x1b]0;x\x07\u202e")
	f.Fuzz(func(t *testing.T, s string) {
		got := Plain(s)
		if !utf8.ValidString(got) || Plain(got) != got {
			t.Fatalf("%q: %q", s, got)
		}
		for _, r := range got {
			if unicode.In(r, unicode.Cc, unicode.Cf, unicode.Zl, unicode.Zp, unicode.Cs, unicode.Co) {
				t.Fatalf("%q: %q holds %U", s, got, r)
			}
		}
	})
}
