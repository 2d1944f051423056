// Package recording keeps what went over lines to supplies, byte by byte with its time, as text that anybody can read, cut and send on,
// and answers out of it in place of the supply.
//
// # The form
//
// The first line says what it is and when it begins. Then each line has four parts: seconds since then, the number of the port (1 is
// the first that was opened), what happened, and bytes in quotation marks: '=' the port was opened, with its address and settings (text);
// '>' these bytes were sent, '<' these came. Bytes outside printable ASCII are \n, \r, \t or \xHH, and \" and \\ stand for themselves.
// Empty lines and those that begin with # say nothing. So it is made and cut by any tool for lines: grep -v ' 1 [=<>] ' leaves port 1 out.
//
//	nightcell-recording 1 2026-01-12T20:00:00Z
//	0.000113 1 = "/dev/ttyUSB0, 9600 8N1"
//	0.000391 1 > "*IDN?\n"
//	0.061204 1 < "EXAMPLE,PS-30-5,SIM-0001,1.0\r\n"
package recording

import (
	"bufio"
	"bytes"
	"fmt"
	"os"
	"strconv"
	"strings"
	"time"

	"nightcell/drivers"
)

// Kind is what happened on a port.
type Kind byte

// The kinds of events, as they are written.
const (
	Opened   Kind = '='
	Sent     Kind = '>'
	Received Kind = '<'
)

// Event is one line of a recording.
type Event struct {
	At   time.Duration // since the beginning, in whole microseconds
	Port int           // from 1
	Kind Kind
	Text string // bytes, or of an opening the address and settings
}

// Recording is a whole recording.
type Recording struct {
	Begun  time.Time
	Events []Event // in the order of time
}

const (
	word    = "nightcell-recording"
	version = "1"
	longest = 64 << 10 // bytes of a line; no message and no answer is nearly as long
)

// append writes an event as a line.
func (e Event) append(b []byte) []byte {
	b = strconv.AppendFloat(b, e.At.Seconds(), 'f', 6, 64)
	b = strconv.AppendInt(append(b, ' '), int64(e.Port), 10)
	b = append(b, ' ', byte(e.Kind), ' ', '"')
	for i := range len(e.Text) {
		switch c := e.Text[i]; {
		case c == '\n':
			b = append(b, `\n`...)
		case c == '\r':
			b = append(b, `\r`...)
		case c == '\t':
			b = append(b, `\t`...)
		case c == '"' || c == '\\':
			b = append(b, '\\', c)
		case c < ' ' || c > '~':
			const hex = "0123456789abcdef"
			b = append(b, '\\', 'x', hex[c>>4], hex[c&15])
		default:
			b = append(b, c)
		}
	}
	return append(b, '"', '\n')
}

func head(begun time.Time) string {
	return fmt.Sprintf("%s %s %s\n", word, version, begun.UTC().Format(time.RFC3339Nano))
}

// Load reads a recording. The error says which line cannot be read and why.
func Load(path string) (*Recording, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("reading the recording: %w", err)
	}
	return Parse(path, data)
}

// Parse is Load on bytes; name stands in the errors.
func Parse(name string, data []byte) (*Recording, error) {
	r := &Recording{}
	lines := bufio.NewScanner(bytes.NewReader(data))
	lines.Buffer(nil, longest)
	ports, n := 0, 0
	bad := func(format string, args ...any) (*Recording, error) {
		return nil, fmt.Errorf("%s:%d: %s", name, n, fmt.Sprintf(format, args...))
	}
	for lines.Scan() {
		n++
		text := strings.TrimSuffix(lines.Text(), "\r")
		switch {
		case n == 1:
			f := strings.Fields(text)
			if len(f) != 3 || f[0] != word {
				return bad("this is not a recording: it should begin with %q, but begins with %q; record one with --record FILE", word, shown(text))
			}
			if f[1] != version {
				return bad("this is a recording of form %s, and form %s can be read; take the nightcell that made it", drivers.Plain(f[1]), version)
			}
			var err error
			if r.Begun, err = time.Parse(time.RFC3339Nano, f[2]); err != nil {
				return bad("%q is not a time; write it as 2026-01-12T20:00:00Z", shown(f[2]))
			}
			continue
		case strings.TrimSpace(text) == "" || text[0] == '#':
			continue
		}
		e, wrong := parseEvent(text)
		switch {
		case wrong != "":
			return bad("%s in %q; the line may be torn: remove it, and what follows it if that is foreign too", wrong, shown(text))
		case len(r.Events) > 0 && e.At < r.Events[len(r.Events)-1].At:
			return bad("the time runs back to %.6f s; lines must stand in the order of time", e.At.Seconds())
		case e.Kind == Opened:
			ports = max(ports, e.Port)
		case ports == 0:
			return bad("nothing was opened yet; a line such as 0 1 = \"/dev/ttyUSB0, 9600 8N1\" must come first")
		}
		r.Events = append(r.Events, e)
	}
	n++
	if err := lines.Err(); err != nil {
		return bad("the line cannot be read: %v", err)
	}
	if n == 1 {
		return bad("the file is empty; record one with --record FILE")
	}
	return r, nil
}

// parseEvent reads a line; wrong says what is the matter with it.
func parseEvent(text string) (e Event, wrong string) {
	f := strings.SplitN(text, " ", 4)
	if len(f) < 4 {
		return e, "fewer than four parts"
	}
	seconds, err := strconv.ParseFloat(f[0], 64)
	const end = 1e9 // some thirty years, which a Duration holds
	if e.At = time.Duration(seconds*1e6+0.5) * time.Microsecond; err != nil || !(seconds >= 0 && seconds < end) || e.At >= end*time.Second {
		return e, "no time in seconds"
	}
	if e.Port, err = strconv.Atoi(f[1]); err != nil || e.Port < 1 || e.Port > 9999 {
		return e, "no number of a port"
	}
	if len(f[2]) != 1 || !strings.Contains("=><", f[2]) {
		return e, "none of = > <"
	}
	e.Kind = Kind(f[2][0])
	if len(f[3]) < 2 || f[3][0] != '"' {
		return e, "no bytes in quotation marks"
	}
	if e.Text, err = strconv.Unquote(f[3]); err != nil {
		return e, "bytes that do not end as they should"
	}
	return e, ""
}

// shown is the beginning of a line, fit for a terminal.
func shown(text string) string {
	const most = 60
	if len(text) > most {
		text = text[:most] + "…"
	}
	return drivers.Plain(text)
}
