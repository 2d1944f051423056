package simulated

import (
	"bytes"
	"cmp"
	"strconv"
	"strings"
	"time"
)

// Manner is how a supply speaks that keeps less to the standard, in [supply] of a scenario. The zero Manner keeps to it.
type Manner struct {
	LineRate     int      `toml:"line_rate"`    // bit/s; at any other the pseudo-terminal brings it noise (Linux)
	MessageEnd   string   `toml:"message_end"`  // ends a message; "": a line feed
	AnswerEnd    string   `toml:"answer_end"`   // ends an answer; "": a line feed
	Rest         Span     `toml:"rest"`         // a message sooner after the answer before is lost, in the machine's own time
	Units        bool     `toml:"units"`        // V and A stand behind measured and set levels
	Milliamperes bool     `toml:"milliamperes"` // currents are answered in whole mA
	LowerCase    bool     `toml:"lower_case"`   // only messages in lower case are known
	OneQuery     bool     `toml:"one_query"`    // of several queries in a message the first alone is answered
	Unknown      []string `toml:"unknown"`      // queries that begin so are ignored, without an entry in the error queue
}

// end is the length of the first whole message in what was heard; 0: there is none. m may be nil.
func (m *Manner) end(heard []byte) int {
	end := "\n"
	if m != nil {
		end = cmp.Or(m.MessageEnd, end)
	}
	at := bytes.Index(heard, []byte(end))
	if at < 0 {
		return 0
	}
	return at + len(end)
}

// understood is the part of a message that the supply knows.
func (m *Manner) understood(message string, sinceAnswer time.Duration) (queries []string) {
	if sinceAnswer < m.Rest.duration() || m.LowerCase && message != strings.ToLower(message) {
		return nil
	}
	for _, query := range strings.Split(strings.TrimSpace(message), ";") {
		query = strings.TrimSpace(query)
		known := query != ""
		for _, u := range m.Unknown {
			known = known && !strings.HasPrefix(strings.ToUpper(strings.TrimPrefix(query, ":")), u)
		}
		if known {
			queries = append(queries, query)
		}
	}
	if m.OneQuery && len(queries) > 1 {
		queries = queries[:1]
	}
	return queries
}

// spoken is an answer to those queries as this supply writes it.
func (m *Manner) spoken(queries []string, answer string) string {
	answers := strings.Split(strings.TrimSuffix(answer, "\n"), ";")
	for i := range min(len(answers), len(queries)) {
		header, _, _ := strings.Cut(strings.ToUpper(queries[i]), "?")
		x, err := strconv.ParseFloat(answers[i], 64)
		if err != nil || !strings.Contains(answers[i], ".") {
			continue
		}
		unit := "V"
		if strings.Contains(header, "CURR") {
			if unit = "A"; m.Milliamperes {
				answers[i], unit = strconv.FormatFloat(x*1000, 'f', 0, 64), "mA"
			}
		}
		if m.Units {
			answers[i] += unit
		}
	}
	return strings.Join(answers, ";") + cmp.Or(m.AnswerEnd, "\n")
}
