package language

import (
	"regexp"
	"strconv"
	"strings"
)

// header is a command and the form of its header, in capitals, each word behind a colon.
type header struct {
	form     *regexp.Regexp // a group for the number behind each word
	suffixed []bool         // by group: a number may stand there
	command  Command
}

// patternWord is one word of a pattern: an opening bracket, the word, and the mark of a suffix.
var (
	patternWord = regexp.MustCompile(`(\[?):?([*A-Za-z0-9]+)(#?)\]?`)
	longForm    = regexp.MustCompile(`[a-z]+`)
)

func newHeader(c Command) header {
	h := header{command: c}
	form := "^"
	for _, m := range patternWord.FindAllStringSubmatch(c.Pattern, -1) {
		word := longForm.ReplaceAllStringFunc(strings.Replace(m[2], "*", `\*`, 1), func(s string) string { return "(?:" + strings.ToUpper(s) + ")?" })
		form += "(?::" + word + `(\d*))`
		if m[1] != "" {
			form += "?"
		}
		h.suffixed = append(h.suffixed, m[3] != "")
	}
	h.form = regexp.MustCompile(form + "$")
	return h
}

// find looks for the command of a header and notes its numeric suffixes in the call.
func (in *Interpreter) find(text string, call *Call) (Command, error) {
	whole := ":" + strings.ToUpper(text)
	for _, h := range in.headers {
		groups := h.form.FindStringSubmatch(whole)
		if groups == nil {
			continue
		}
		for i, digits := range groups[1:] {
			if digits == "" {
				continue
			}
			n, err := strconv.Atoi(digits)
			if err != nil || n == 0 || !h.suffixed[i] {
				return Command{}, Error{Number: SuffixOutOfRange, Info: text}
			}
			call.suffixes = append(call.suffixes, n)
		}
		return h.command, nil
	}
	return Command{}, Error{Number: UndefinedHeader, Info: text}
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

// mnemonic is a program mnemonic (IEEE 488.2, 7.6.1).
var mnemonic = regexp.MustCompile(`^[A-Za-z][A-Za-z0-9_]*$`)

// checkMnemonic refuses what cannot be one; SCPI limits it to twelve characters.
func checkMnemonic(word string) error {
	switch {
	case mnemonic.MatchString(word) && len(word) > 12:
		return Error{Number: MnemonicTooLong}
	case mnemonic.MatchString(word):
		return nil
	case strings.ContainsAny(word, "#()\"'@+-./,=<>&!%$^~`{}[]|\\?*"):
		return Error{Number: InvalidSeparator}
	}
	return Error{Number: SyntaxError}
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
