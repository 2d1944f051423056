package language

import "strings"

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
