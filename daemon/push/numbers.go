package push

import "bytes"

// numbersOnly takes the fields of text out of a sound line, in place, for a database that can hold only numbers and would
// make a series of zeros of each. It returns nil when nothing is left to send.
func numbersOnly(line []byte) []byte {
	begin := unescaped(line, ' ') + 1
	kept := line[:begin]
	rest := line[begin:]
	for {
		end, text := field(rest)
		if !text {
			if len(kept) > begin {
				kept = append(kept, ',')
			}
			kept = append(kept, rest[:end]...) // never behind where rest begins, because fields only leave
		}
		if rest[end] != ',' {
			rest = rest[end:] // the time stamp
			break
		}
		rest = rest[end+1:]
	}
	if len(kept) == begin {
		return nil
	}
	return append(kept, rest...)
}

// field returns where the first field ends, and whether it is text.
func field(b []byte) (end int, text bool) {
	at := unescaped(b, '=') + 1
	if b[at] != '"' {
		return at + bytes.IndexAny(b[at:], ", "), false
	}
	for at++; b[at] != '"'; at++ {
		if b[at] == '\\' {
			at++
		}
	}
	return at + 1, true
}

// unescaped returns the place of the first c that no backslash stands before.
func unescaped(b []byte, c byte) int {
	for i := 0; ; i++ {
		switch b[i] {
		case '\\':
			i++
		case c:
			return i
		}
	}
}
