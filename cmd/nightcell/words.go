package main

import (
	"bufio"
	"cmp"
	"context"
	_ "embed"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"nightcell/alerts"
	"nightcell/configs"
	"nightcell/configs/quantity"
	"nightcell/daemon/control"
	"nightcell/daemon/ledger"
	"nightcell/daemon/report"
	"nightcell/daemon/runlog"
	"nightcell/drivers"
)

// spoken is an error in the words of the command line; what it was made of can still be asked for.
type spoken struct {
	text  string
	cause error
}

func (e *spoken) Error() string { return e.text }
func (e *spoken) Unwrap() error { return e.cause }

// speak puts an error that came from within into the command line's words; nil stays nil.
func speak(err error) error {
	if err == nil {
		return nil
	}
	return &spoken{inWords(err.Error()), err}
}

var (
	// The rooms reckon in Go's durations; nobody reads "24h0m0s".
	goDuration = regexp.MustCompile(`\b(?:[0-9]+h)?[0-9]+m[0-9]+(?:\.[0-9]+)?s\b`)
	innerName  = regexp.MustCompile(`^(?:integrate|simulated|drawdown): `)
)

// inWords rewrites Go's durations, and drops the name of the room that speaks.
func inWords(s string) string {
	s = innerName.ReplaceAllString(s, "")
	return goDuration.ReplaceAllStringFunc(s, func(m string) string {
		d, err := time.ParseDuration(m)
		if err != nil {
			return m
		}
		return quantity.Duration(d)
	})
}

// parseSpan reads a time above zero for a flag, such as "2 h 30 min", that is at most so long.
func parseSpan(flag, text string, most time.Duration) (time.Duration, error) {
	seconds, err := quantity.Parse(quantity.Time, text)
	switch {
	case err != nil:
		return 0, usagef("--%s: %w", flag, err)
	case !(seconds > 0 && seconds <= most.Seconds()):
		return 0, usagef("--%s %s: give a time above zero and up to %s", flag, text, quantity.Duration(most))
	}
	return time.Duration(seconds * float64(time.Second)), nil
}

// flagMistake says what a flag needs, in place of what the parser of its value says.
func flagMistake(cmd *cobra.Command, err error) error {
	if invalid, ok := errors.AsType[*pflag.InvalidValueError](err); ok {
		needs, known := map[string]string{
			"float64": "give a number", "int": "give a whole number", "int64": "give a whole number",
			"bool": "give true or false", "func": "give a time such as \"2026-03-01 22:15\" (local) or 2026-03-01T22:15:00+01:00",
		}[invalid.GetFlag().Value.Type()]
		if own := (usageError{}); errors.As(err, &own) {
			needs, known = own.Error(), true
		}
		if known {
			err = fmt.Errorf("--%s %s: %s", invalid.GetFlag().Name, cmp.Or(invalid.GetValue(), `""`), needs)
		}
	}
	return usagef("%w; see %s --help", err, cmd.CommandPath())
}

// strict is the value of a flag that may be given once, and not be empty where it names a file or the like: the variable of a script that
// is not set must not lead a command elsewhere.
type strict struct {
	pflag.Value
	names, given bool
}

func (s *strict) Set(text string) error {
	switch {
	case s.given:
		return usagef("given twice; keep one")
	case s.names && text == "":
		return usagef("nothing is written; write it, or leave the flag out")
	}
	s.given = true
	return s.Value.Set(text)
}

// strictly makes the flags of a command and of those below it strict. Lists may be given often.
func strictly(c *cobra.Command) {
	c.LocalFlags().VisitAll(func(f *pflag.Flag) {
		if _, list := f.Value.(pflag.SliceValue); !list && f.Value.Type() != "stringToString" {
			what, _ := pflag.UnquoteUsage(f)
			f.Value = &strict{Value: f.Value, names: slices.Contains([]string{"file", "directory", "path", "cell", "name", "run", "words"}, what)}
		}
	})
	for _, sub := range c.Commands() {
		strictly(sub)
	}
}

// withoutEcho cuts what the system said off an error that has already said what to do about it.
func withoutEcho(err error) string {
	text := err.Error()
	for queue := []error{err}; len(queue) > 0; queue = queue[1:] {
		echo := ": " + queue[0].Error()
		if advice, found := strings.CutSuffix(text, echo); found && strings.Contains(advice, "; ") {
			return advice
		}
		switch e := queue[0].(type) {
		case interface{ Unwrap() error }:
			if inner := e.Unwrap(); inner != nil {
				queue = append(queue, inner)
			}
		case interface{ Unwrap() []error }:
			queue = append(queue, e.Unwrap()...)
		}
	}
	return text
}

// progress is a line on a terminal that says how far something is that takes long. Every byte that is read for it is written to it.
type progress struct {
	to           io.Writer // nil: no terminal
	what         string
	total, read  int64 // bytes that will be read, of which 0 says that nobody knows, and that were
	begun, drawn time.Time
	width        int // of what is drawn
}

// progress begins one on standard error, where that is a terminal and what is written beside it goes to none. It draws
// nothing in its first moment, and neither colours nor escapes ever (NO_COLOR asks for no more). Call end before anything else is said.
func (s *shell) progress(beside io.Writer, what string, files ...string) *progress {
	p := &progress{what: what, begun: time.Now(), drawn: time.Now()}
	_, torn := columns(beside)
	if _, terminal := columns(s.err); terminal && !torn {
		p.to = s.err
	}
	for _, file := range files {
		if info, err := os.Stat(file); err == nil && info.Mode()&fs.ModeType == 0 {
			p.total += info.Size()
		}
	}
	return p
}

// Write counts, and draws now and then.
func (p *progress) Write(b []byte) (int, error) {
	p.read += int64(len(b))
	if p.to != nil && time.Since(p.drawn) > 250*time.Millisecond {
		n, _ := fmt.Fprintf(p.to, "\r%-*s", p.width, p.line(time.Since(p.begun)))
		p.drawn, p.width = time.Now(), max(p.width, n-1)
	}
	return len(b), nil
}

func (p *progress) line(since time.Duration) string {
	if p.total <= 0 || p.read <= 0 || p.read > p.total {
		return fmt.Sprintf("%s: %.1f MB", p.what, float64(p.read)/1e6)
	}
	left := time.Duration(float64(since) * float64(p.total-p.read) / float64(p.read))
	return fmt.Sprintf("%s: %d %%, %s left", p.what, 100*p.read/p.total, left.Round(time.Second))
}

// end takes the line away.
func (p *progress) end() {
	if p.width > 0 {
		fmt.Fprintf(p.to, "\r%*s\r", p.width, "")
	}
}

// errStop is the wish to ask no more.
var errStop = errors.New("stop")

// asker puts questions to a person at a terminal.
type asker struct {
	to    io.Writer
	lines chan string // closed when there are no more
}

// newAsker reads answers from in. Its goroutine ends with its input, or with the process: nothing else can break off a read of a terminal.
func newAsker(in io.Reader, out io.Writer) asker {
	a := asker{out, make(chan string)}
	go func() {
		defer close(a.lines)
		for in := bufio.NewScanner(in); in.Scan(); {
			a.lines <- in.Text()
		}
	}()
	return a
}

// say writes a paragraph below a title.
func (a asker) say(text string) {
	width, _ := columns(a.to)
	report.Paragraph(a.to, "    ", drivers.Plain(text), width)
}

// put puts one question. An end of the input is the wish to stop, as a q and an interrupt are.
func (a asker) put(ctx context.Context, prompt string) (string, error) {
	fmt.Fprint(a.to, prompt)
	select {
	case line, more := <-a.lines:
		if line = strings.TrimSpace(line); !more || line == "q" {
			return "", errStop
		}
		return line, nil
	case <-ctx.Done():
		return "", errStop
	}
}

// question is one step of a first night.
type question struct {
	name, title string
	propose     func() (answer, why string, err error)
	take        func(answer string) error // the error says what is wrong with the answer
}

// one asks one question until its answer can be taken.
func (f *firstNight) one(ctx context.Context, i, of int, q *question) error {
	proposed, why, err := q.propose()
	if err != nil {
		return err
	}
	first := proposed
	if said := f.said[q.name]; said != "" && said != first {
		proposed, why = said, fmt.Sprintf("Your earlier answer was %s; the proposal is %s: %s", said, first, why)
	}
	fmt.Fprintf(f.out, "\n%d of %d  %s\n", i+1, of+1, q.title)
	f.say(why)
	for {
		answer, err := f.put(ctx, fmt.Sprintf("    Enter = %s, q = stop: ", drivers.Plain(proposed)))
		if err != nil {
			return err
		}
		if answer == "" {
			answer = proposed
		}
		if err := q.take(answer); err != nil {
			f.say(speak(err).Error())
			continue
		}
		if f.now[q.name] = answer; answer != first {
			f.said[q.name] = answer
		} else {
			delete(f.said, q.name)
		}
		if reason, _, _ := strings.Cut(why, ". "); answer == first {
			f.doc.why[f.key] = strings.ToLower(reason[:1]) + strings.TrimSuffix(reason[1:], ".")
		}
		f.key = ""
		return nil
	}
}

// choice is what a line of use says of an argument that flags can stand for: (CELL | --bath NAME).
var choice = regexp.MustCompile(`\(([A-Z]+) \|[^)]*\)`)

// complete gives the shell the names that stand in a command's line of use: CELL, CONDITION, KIND, RUN and NAME, and what flags of
// those names take. Cells, runs and ledgers are those of the configuration or the data directory that the command line names already.
func complete(c *cobra.Command) {
	form := strings.Fields(choice.ReplaceAllString(c.Use, "$1"))[1:]
	c.ValidArgsFunction = func(c *cobra.Command, args []string, _ string) ([]string, cobra.ShellCompDirective) {
		words := form
		if c.Flags().Changed("bath") || c.Flags().Changed("electrode") {
			words = words[1:] // the flag stands for the cell
		}
		if len(args) < len(words) {
			return named(c, strings.Trim(words[len(args)], "[]"))
		}
		return nil, cobra.ShellCompDirectiveNoFileComp
	}
	c.LocalFlags().VisitAll(func(f *pflag.Flag) {
		what := ""
		switch f.Name {
		case "config", "scenario":
			f.Annotations = map[string][]string{cobra.BashCompFilenameExt: {"toml"}}
		case "data":
			f.Annotations = map[string][]string{cobra.BashCompSubdirsInDir: {}}
		case "cell", "confirm":
			if word, _ := pflag.UnquoteUsage(f); f.Name == "cell" || word == "cell" {
				what = "CELL"
			}
		case "run":
			what = "NAME-OF-RUN"
		case "bath", "electrode":
			what = f.Name
		}
		if what != "" {
			// It fails only where a flag is registered twice, and then the first stays.
			_ = c.RegisterFlagCompletionFunc(f.Name, func(c *cobra.Command, _ []string, _ string) ([]string, cobra.ShellCompDirective) {
				return named(c, what)
			})
		}
	})
	for _, sub := range c.Commands() {
		complete(sub)
	}
}

// named lists what can stand for a word of a line of use.
func named(c *cobra.Command, word string) (names []string, how cobra.ShellCompDirective) {
	how = cobra.ShellCompDirectiveNoFileComp
	if parent := c.Parent(); word == "NAME" && parent != nil {
		word = parent.Name() // show NAME below bath
	}
	switch word {
	case "bath", "electrode":
		names, _ = ledger.Names(dataOf(c), ledger.Kind(word)) // a completion says no mistakes
	case "CELL":
		if cfg := configured(c); cfg != nil {
			names = cfg.CellNames()
		}
	case "CONDITION":
		for _, condition := range alerts.Conditions() {
			names = append(names, condition.String())
		}
	case "KIND":
		for _, k := range control.EntryKinds() {
			names = append(names, k.Name+"\t"+k.About)
		}
		names = append(names, "list\tthe entries so far", runlog.EntryRetract+"\ttake an entry back")
	case "NAME-OF-RUN":
		runs, _ := filepath.Glob(filepath.Join(dataOf(c), "runs", "*", "*", runlog.LogName))
		for _, run := range runs {
			names = append(names, filepath.Base(filepath.Dir(run)))
		}
	case "RUN":
		how = cobra.ShellCompDirectiveFilterDirs
	case "FILE.csv":
		names, how = []string{"csv"}, cobra.ShellCompDirectiveFilterFileExt
	}
	return names, how
}

// dataOf is the data directory that the command line names, by itself or by its configuration.
func dataOf(c *cobra.Command) string {
	if data, err := c.Flags().GetString("data"); err == nil && data != "" {
		return data
	}
	if cfg := configured(c); cfg != nil {
		return cfg.Data
	}
	return "."
}

// configured is the configuration that the command line names, nil without a readable one: a completion says no mistakes.
func configured(c *cobra.Command) *configs.Config {
	name, _ := c.Flags().GetString("config")
	cfg, _ := configs.Load(name)
	return cfg
}
