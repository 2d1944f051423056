package metrics

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"
)

// The rules checked here are those of OpenMetrics 1.0 (OpenObservability,
// specification/OpenMetrics.md), as far as they touch what nightcell exposes.

var (
	metricName = regexp.MustCompile(`^[a-zA-Z_:][a-zA-Z0-9_:]*$`)
	sampleLine = regexp.MustCompile(`^([a-zA-Z_:][a-zA-Z0-9_:]*)(\{(.*)\})? (\S+)( \S+)?$`)
	labelPair  = regexp.MustCompile(`^([a-zA-Z_][a-zA-Z0-9_]*)="((?:[^"\\\n]|\\[n"\\])*)"(,|$)`)
)

// suffixes are those that samples of a type carry behind the family's name.
var suffixes = map[string][]string{
	"counter": {"_total", "_created"}, "gauge": {""}, "unknown": {""}, "info": {"_info"},
	"histogram": {"_bucket", "_sum", "_count", "_created"}, "summary": {"", "_sum", "_count", "_created"},
}

// openMetrics is a strict reader: it keeps the family that is being read and those that are done.
type openMetrics struct {
	family, kind, unit string
	seen               map[string]bool // metadata of the family
	sampled            bool
	done               map[string]bool
	series             map[string]bool
	bucket             float64 // the last one
	problems           []string
}

// checkOpenMetrics lists everything in text that breaks a rule.
func checkOpenMetrics(text string) []string {
	o := &openMetrics{done: map[string]bool{}, series: map[string]bool{}, seen: map[string]bool{}}
	if !utf8.ValidString(text) || strings.HasPrefix(text, "\uFEFF") || strings.Contains(text, "\r") {
		o.say("not plain UTF-8 with line feeds")
	}
	lines := strings.Split(strings.TrimSuffix(text, "\n"), "\n")
	for i, line := range lines {
		switch {
		case line == "# EOF":
			if i != len(lines)-1 {
				o.say("something follows # EOF")
			}
			return o.problems
		case strings.HasPrefix(line, "# "):
			o.metadata(line)
		default:
			o.sample(line)
		}
	}
	o.say("no # EOF at the end")
	return o.problems
}

func (o *openMetrics) say(format string, args ...any) {
	o.problems = append(o.problems, fmt.Sprintf(format, args...))
}

func (o *openMetrics) metadata(line string) {
	f := strings.SplitN(line, " ", 4)
	if len(f) < 3 || (f[1] != "TYPE" && f[1] != "HELP" && f[1] != "UNIT") || !metricName.MatchString(f[2]) {
		o.say("no comment is allowed but TYPE, UNIT and HELP: %q", line)
		return
	}
	if f[2] != o.family || o.sampled {
		if o.done[f[2]] {
			o.say("family %s is interleaved with others", f[2])
		}
		o.done[f[2]] = true
		o.family, o.kind, o.unit, o.sampled, o.seen = f[2], "unknown", "", false, map[string]bool{}
	}
	if o.seen[f[1]] {
		o.say("%s has two lines of %s", o.family, f[1])
	}
	o.seen[f[1]] = true
	rest := ""
	if len(f) == 4 {
		rest = f[3]
	}
	switch f[1] {
	case "TYPE":
		if o.kind = rest; suffixes[rest] == nil {
			o.say("%s is of the unknown type %q", o.family, rest)
		}
	case "UNIT":
		if rest != "" && !strings.HasSuffix(o.family, "_"+rest) {
			o.say("%s does not end in its unit %s", o.family, rest)
		}
	}
}

func (o *openMetrics) sample(line string) {
	m := sampleLine.FindStringSubmatch(line)
	if m == nil {
		o.say("no sample: %q", line)
		return
	}
	o.sampled = true
	name, labels := m[1], m[3]
	ok := false
	suffix := strings.TrimPrefix(name, o.family)
	for _, s := range suffixes[o.kind] {
		ok = ok || strings.HasPrefix(name, o.family) && suffix == s
	}
	if !ok {
		o.say("%s is no sample of the %s %s", name, o.kind, o.family)
	}
	if o.series[name+m[2]] {
		o.say("%s%s comes twice", name, m[2])
	}
	o.series[name+m[2]] = true
	bound := o.labels(labels)
	v, err := strconv.ParseFloat(m[4], 64)
	switch {
	case err != nil:
		o.say("%q is not a number", m[4])
	case math.IsNaN(v):
		o.say("%s is NaN, which must not mean that it is missing", name)
	case (o.kind == "counter" || suffix == "_bucket" || suffix == "_count") && (v < 0 || math.IsInf(v, 0)):
		o.say("the counter %s is %v", name, v)
	case o.kind == "info" && v != 1:
		o.say("the info %s is %v", name, v)
	}
	if suffix == "_bucket" {
		le, err := strconv.ParseFloat(bound, 64)
		if err != nil {
			o.say("%s has no bound le", name)
		}
		if le != math.Inf(1) && v > 0 && o.bucket > v && le > 0 {
			o.say("the buckets of %s fall", name)
		}
		if o.bucket = v; math.IsInf(le, 1) {
			o.bucket = 0
		}
	}
}

// labels checks a label set and returns the value of le.
func (o *openMetrics) labels(s string) (le string) {
	names := map[string]bool{}
	for s != "" {
		m := labelPair.FindStringSubmatch(s)
		if m == nil {
			o.say("no label: %q", s)
			return le
		}
		if names[m[1]] {
			o.say("the label %s comes twice", m[1])
		}
		names[m[1]] = true
		if m[1] == "le" {
			le = m[2]
		}
		s = s[len(m[0]):]
	}
	return le
}

// TestStrictReader tries the checker itself on what the specification's own test
// suite calls good and bad (tests/testdata/parsers; the cases' ideas, in our words).
func TestStrictReader(t *testing.T) {
	for text, good := range map[string]bool{
		"# TYPE a counter\na_total 1\n# EOF\n": true,
		"# TYPE a counter\na_total 1\n# EOF":   true,
		"# TYPE a_seconds counter\n# UNIT a_seconds seconds\n# HELP a_seconds help\na_seconds_total 1\n# EOF\n": true,
		"# TYPE a gauge\na{b=\"x\\\"\\\\\\n\"} +Inf\n# EOF\n":                                                   true,
		"# TYPE a counter\na_total 1\n":                                                                         false, // no EOF
		"# TYPE a counter\na_total 1\n# EOF\na_total 2\n":                                                       false, // text after EOF
		"# TYPE a counter\na 1\n# EOF\n":                                                                        false, // no suffix
		"# TYPE a counter\na_total NaN\n# EOF\n":                                                                false,
		"# TYPE a counter\na_total -1\n# EOF\n":                                                                 false,
		"# TYPE a counter\n# UNIT a seconds\na_total 1\n# EOF\n":                                                false, // the unit is not in the name
		"# TYPE a gauge\n# TYPE a gauge\na 1\n# EOF\n":                                                          false,
		"# TYPE a gauge\na 1\n# TYPE b gauge\nb 1\n# TYPE a gauge\na{x=\"y\"} 1\n# EOF\n":                       false, // interleaved
		"# TYPE a gauge\na 1\na 1\n# EOF\n":                                                                     false, // twice
		"# TYPE a gauge\na{b=\"x\",b=\"y\"} 1\n# EOF\n":                                                         false,
		"# TYPE a gauge\na{b=x} 1\n# EOF\n":                                                                     false,
		"# TYPE a info\na_info 2\n# EOF\n":                                                                      false,
		"# TYPE a gauge\r\na 1\r\n# EOF\n":                                                                      false,
		"# hello\n# EOF\n":                                                                                      false,
	} {
		if problems := checkOpenMetrics(text); (len(problems) == 0) != good {
			t.Errorf("%q: %q", text, problems)
		}
	}
}
