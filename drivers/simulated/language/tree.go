package language

import (
	"fmt"
	"strconv"
	"strings"
)

// node is one keyword of the command tree.
type node struct {
	short, long string // upper case
	suffix      bool   // a number may follow
	children    []*node
	command     *Command
}

// element is one keyword of a pattern.
type element struct {
	text     string
	optional bool
}

// insert enters a command under every path that its optional nodes allow.
func (n *node) insert(elements []element, c *Command) {
	if len(elements) == 0 {
		if n.command != nil {
			panic(fmt.Sprintf("language: %s is the header of two commands", c.Pattern))
		}
		n.command = c
		return
	}
	if elements[0].optional {
		n.insert(elements[1:], c)
	}
	n.child(elements[0].text).insert(elements[1:], c)
}

func (n *node) child(text string) *node {
	suffix := strings.HasSuffix(text, "#")
	text = strings.TrimSuffix(text, "#")
	short := strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' {
			return -1
		}
		return r
	}, text)
	long := strings.ToUpper(text)
	for _, c := range n.children {
		if c.long == long {
			c.suffix = c.suffix || suffix
			return c
		}
	}
	c := &node{short: short, long: long, suffix: suffix}
	n.children = append(n.children, c)
	return c
}

// parsePattern reads "A[:B]:C", "[A]:B" and "*NAME".
func parsePattern(pattern string) []element {
	var elements []element
	for rest := pattern; rest != ""; {
		optional := strings.HasPrefix(rest, "[")
		var part string
		if optional {
			end := strings.IndexByte(rest, ']')
			if end < 0 {
				panic("language: no closing bracket in " + pattern)
			}
			part, rest = rest[1:end], rest[end+1:]
		} else if end := strings.IndexAny(rest[1:], "[:"); end >= 0 {
			part, rest = rest[:end+1], rest[end+1:]
		} else {
			part, rest = rest, ""
		}
		part = strings.Trim(part, ":")
		if part == "" {
			panic("language: an empty node in " + pattern)
		}
		elements = append(elements, element{part, optional})
	}
	return elements
}

// find walks down the tree by keywords and notes their numeric suffixes in the call.
func (n *node) find(keywords []string, call *Call) (*Command, error) {
	at := n
	for _, word := range keywords {
		next, number, err := at.match(word)
		if err != nil {
			return nil, err
		}
		if number >= 0 {
			call.suffixes = append(call.suffixes, number)
		}
		at = next
	}
	if at.command == nil {
		return nil, Error{Number: UndefinedHeader, Info: strings.Join(keywords, ":")}
	}
	return at.command, nil
}

// match finds the child that a keyword names; number is −1 without a suffix. A name that itself ends in digits is tried first.
func (n *node) match(word string) (child *node, number int, err error) {
	upper := strings.ToUpper(word)
	for _, c := range n.children {
		if upper == c.short || upper == c.long {
			return c, -1, nil
		}
	}
	stem := strings.TrimRight(upper, "0123456789")
	if stem != upper {
		for _, c := range n.children {
			if stem != c.short && stem != c.long {
				continue
			}
			number, err := strconv.Atoi(upper[len(stem):])
			if !c.suffix || err != nil || number == 0 {
				return nil, 0, Error{Number: SuffixOutOfRange, Info: word}
			}
			return c, number, nil
		}
	}
	return nil, 0, Error{Number: UndefinedHeader, Info: word}
}

// unit is one program message unit: a header and its arguments.
type unit struct {
	text      string
	keywords  []string
	absolute  bool // began with a colon
	common    bool // began with an asterisk
	query     bool
	arguments []string
}

// parseUnit takes one unit apart. It checks form only; meaning is for the command.
func parseUnit(text string) (unit, error) {
	text = strings.TrimSpace(text)
	header, rest := text, ""
	if i := strings.IndexAny(text, " \t"); i >= 0 {
		header, rest = text[:i], strings.TrimSpace(text[i:])
	}
	u := unit{text: header}
	if header == "" {
		return u, Error{Number: SyntaxError}
	}
	for _, r := range header {
		if r < '!' || r > '~' {
			return u, Error{Number: InvalidCharacter}
		}
	}
	if strings.HasSuffix(header, "?") {
		u.query, header = true, header[:len(header)-1]
	}
	switch {
	case strings.HasPrefix(header, "*"):
		u.common = true
		u.keywords = []string{header}
		header = header[1:]
	case strings.HasPrefix(header, ":"):
		u.absolute = true
		header = header[1:]
		fallthrough
	default:
		u.keywords = strings.Split(header, ":")
	}
	for _, word := range strings.Split(header, ":") {
		if err := checkMnemonic(word); err != nil {
			return u, err
		}
	}
	if rest == "" {
		return u, nil
	}
	arguments, err := split(rest, ',')
	if err != nil {
		return u, err
	}
	for _, a := range arguments {
		a = strings.TrimSpace(a)
		if a == "" {
			return u, Error{Number: SyntaxError, Info: u.text}
		}
		u.arguments = append(u.arguments, a)
	}
	return u, nil
}

// checkMnemonic refuses what cannot be a program mnemonic (IEEE 488.2, 7.6.1): it begins with a letter, goes on with
// letters, digits and underscores, and SCPI limits it to twelve characters.
func checkMnemonic(word string) error {
	if word == "" {
		return Error{Number: SyntaxError}
	}
	for i, r := range word {
		letter := r >= 'A' && r <= 'Z' || r >= 'a' && r <= 'z'
		if !letter && (i == 0 || r != '_' && (r < '0' || r > '9')) {
			if strings.ContainsRune("#()\"'@+-./,=<>&!%$^~`{}[]|\\?*", r) {
				return Error{Number: InvalidSeparator}
			}
			return Error{Number: SyntaxError}
		}
	}
	if len(word) > 12 {
		return Error{Number: MnemonicTooLong}
	}
	return nil
}

// split cuts text at a separator that stands outside quotes and parentheses.
func split(text string, at byte) ([]string, error) {
	var parts []string
	var quote byte
	depth, begin := 0, 0
	for i := range len(text) {
		switch c := text[i]; {
		case quote != 0:
			if c == quote {
				quote = 0
			}
		case c == '"' || c == '\'':
			quote = c
		case c == '(':
			depth++
		case c == ')':
			depth--
			if depth < 0 {
				return nil, Error{Number: InvalidExpression}
			}
		case c == at && depth == 0:
			parts = append(parts, text[begin:i])
			begin = i + 1
		}
	}
	if quote != 0 {
		return nil, Error{Number: InvalidString}
	}
	if depth != 0 {
		return nil, Error{Number: InvalidExpression}
	}
	return append(parts, text[begin:]), nil
}
