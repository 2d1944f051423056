// The runtime would look every second how many processors it may use, which costs as much as a third of a poll.
//
//go:debug updatemaxprocs=0

// Command nightcell keeps the watch over an electrolytic cell on a bench supply:
// it counts the charge, keeps the log, raises the alarms and does the books. The
// commands here only wire the rooms together.
package main

import (
	"bytes"
	"cmp"
	"compress/gzip"
	"context"
	_ "embed"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"os/signal"
	"regexp"
	"runtime"
	"runtime/debug"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"text/tabwriter"
	"unicode/utf8"

	"github.com/BurntSushi/toml"
	"github.com/spf13/cobra"
	"golang.org/x/term"

	"nightcell/configs/quantity"
	"nightcell/daemon"
	"nightcell/daemon/ledger"
	"nightcell/daemon/report"
)

// shell is where a command reads and prints; tests give it buffers.
type shell struct {
	in       io.Reader
	out, err io.Writer
}

// output is standard output, and remembers the first error of it: not everything that prints reports one.
type output struct {
	io.Writer
	lost atomic.Pointer[error]
}

func (o *output) Write(b []byte) (int, error) {
	n, err := o.Writer.Write(b)
	if err != nil {
		o.lost.CompareAndSwap(nil, &err)
	}
	return n, err
}

// usageError marks a mistake in flags, files or configuration: exit code 2. Any
// other error is a run that failed: exit code 1.
type usageError struct{ error }

func (e usageError) Unwrap() error { return e.error }

// usagef makes a usageError as fmt.Errorf makes an error.
func usagef(format string, args ...any) error { return usageError{fmt.Errorf(format, args...)} }

// errSilent ends a command with exit code 1 after it has already said why.
var errSilent = errors.New("failed")

func main() { os.Exit(run(os.Args[1:], &shell{in: os.Stdin, out: os.Stdout, err: os.Stderr})) }

// run executes one command line and returns the exit code: 0 done, 1 the run
// failed, 2 the command line or a configuration is wrong, 78 (EX_CONFIG of sysexits.h, which systemd names) what a configuration names cannot be used.
func run(args []string, s *shell) (code int) {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	ctx, ended := asService(ctx, s)
	defer func() { ended(code) }()
	out := &output{Writer: s.out}
	root := newRootCommand(&shell{s.in, out, s.err})
	root.SetArgs(args)
	if len(args) == 0 || !strings.HasPrefix(args[0], cobra.ShellCompRequestCmd) { // which reads flags twice
		strictly(root)
	}
	err := root.ExecuteContext(ctx)
	if lost := out.lost.Load(); err == nil && lost != nil {
		err = fmt.Errorf("printing: %w", *lost)
	}
	if err == nil {
		return 0
	}
	if !errors.Is(err, errSilent) {
		s.tell(s.err, fmt.Sprintf("nightcell: %v\n", err))
	}
	if _, ok := errors.AsType[usageError](err); ok {
		return 2
	}
	if _, ok := errors.AsType[*daemon.SetupError](err); ok {
		return 78
	}
	return 1
}

func newRootCommand(s *shell) *cobra.Command {
	root := &cobra.Command{
		Use:     "nightcell",
		Version: version(),
		Short:   "Monitor an electrowinning cell on a bench supply and count its charge",
		Long: "nightcell monitors an electrowinning cell: it counts charge, raises alarms and calls you. " +
			"It is a monitor, not a safety device: current limit, over-voltage trip, timer, " +
			"fuse, containment and ventilation must work without it.",
		SilenceUsage:  true,
		SilenceErrors: true,
		// how many letters may be wrong in a command for it to be named
		SuggestionsMinimumDistance: 2,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) > 0 {
				return noCommand(cmd, args[0])
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	root.SetIn(s.in)
	root.SetOut(s.out)
	root.SetErr(s.err)
	root.SetFlagErrorFunc(flagMistake)
	root.AddCommand(commands(s)...)
	root.AddCommand(releaseCommands()...)
	root.SetVersionTemplate("nightcell {{.Version}}\n")
	complete(root)
	refuseUnknownTopics(root)
	help := root.HelpFunc()
	root.SetHelpFunc(func(c *cobra.Command, args []string) {
		var text bytes.Buffer
		c.SetOut(&text)
		help(c, args)
		width, _ := columns(s.out)
		fmt.Fprint(s.out, fold(text.String(), min(width, pipedColumns)))
	})
	return root
}

// noCommand refuses a command that is not there, and names those that were perhaps meant.
func noCommand(root *cobra.Command, name string) error {
	near := root.SuggestionsFor(name)
	if len(near) == 0 || name == "" { // which every command begins with
		return usagef("there is no command %q; nightcell --help lists the commands", name)
	}
	return usagef("there is no command %q; did you mean %s? nightcell --help lists the commands", name, strings.Join(near, " or "))
}

// refuseUnknownTopics makes the library's own two commands say when there is nothing of the name they are given.
func refuseUnknownTopics(root *cobra.Command) {
	root.InitDefaultHelpCmd()
	root.InitDefaultCompletionCmd()
	for _, c := range root.Commands() {
		switch c.Name() {
		case "help":
			c.Args = func(c *cobra.Command, args []string) error {
				if topic, rest, err := c.Root().Find(args); err != nil || len(args) > 0 && (topic == c.Root() || len(rest) > 0) {
					return noCommand(c.Root(), strings.Join(args, " "))
				}
				return nil
			}
		case "completion":
			c.Args = func(_ *cobra.Command, args []string) error {
				if len(args) > 0 {
					return usagef("there is no completion for %q; nightcell completion --help lists the shells", args[0])
				}
				return nil
			}
			c.RunE = func(c *cobra.Command, _ []string) error { return c.Help() }
		}
	}
}

// pipedColumns is how wide text is that goes to no terminal.
const pipedColumns = 100

// columns tells how wide a terminal is, and whether there is one.
func columns(w io.Writer) (width int, terminal bool) {
	if o, wraps := w.(*output); wraps {
		w = o.Writer
	}
	file, ok := w.(*os.File)
	if !ok || !term.IsTerminal(int(file.Fd())) {
		return pipedColumns, false
	}
	if width, _, err := term.GetSize(int(file.Fd())); err == nil && width > 20 {
		return width, true
	}
	return pipedColumns, true
}

// folded is where what is cut off a line goes: below its last column, which two spaces part from the one before, or below what stands behind file and line.
var folded = regexp.MustCompile(`^(.*\S  +|\S+:\d+: | *(?:- )?)`)

// fold cuts lines at spaces to at most width columns. A command stays whole, to be copied.
func fold(text string, width int) string {
	var b strings.Builder
	for line := range strings.Lines(text) {
		before := folded.FindString(line)
		text, indent := strings.TrimPrefix(line, before), utf8.RuneCountInString(before)
		if utf8.RuneCountInString(line) <= width+1 || strings.HasPrefix(line, "  nightcell ") || indent > width {
			b.WriteString(line)
			continue
		}
		if indent > width/2 { // too narrow to read beside it
			if above := strings.TrimRight(before, " "); above != "" {
				b.WriteString(above + "\n")
			}
			before = "      "
		}
		report.Paragraph(&b, before, text, width)
	}
	return b.String()
}

// tell writes text, folded for a terminal and else as it is.
func (s *shell) tell(w io.Writer, text string) error {
	if width, terminal := columns(w); terminal {
		text = fold(text, width)
	}
	_, err := io.WriteString(w, text)
	return err
}

// printJSON writes v as one indented JSON object and a line end.
func printJSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	if err := e.Encode(v); err != nil {
		return fmt.Errorf("printing the result as JSON: %w", err)
	}
	return nil
}

// show prints v as JSON, or else what text writes.
func (s *shell) show(asJSON bool, v any, text func(w io.Writer)) error {
	if asJSON {
		return printJSON(s.out, v)
	}
	return s.table(text)
}

// table prints what text writes: tabs part columns, which are made as wide as they need to be.
func (s *shell) table(text func(w io.Writer)) error {
	var b bytes.Buffer
	w := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	text(w)
	_ = w.Flush() // a buffer takes all
	return s.tell(s.out, b.String())
}

//go:embed help.toml
var helpText string

// helps is what help says of each command, by its path below nightcell.
var helps = sync.OnceValue(func() (all map[string]struct {
	Use, Usage, Short, Long, Example string
	Args                             []int      // at least and at most so many; none: no argument, one: no upper bound
	States                           []planFlag // of plan alone
}) {
	_, _ = toml.Decode(helpText, &all) // TestHelp reads it too
	return all
})

// broken is the end of a line amid a paragraph.
var broken = regexp.MustCompile(`(\S)\n(\S)`)

// newCommand makes the command of a path below nightcell, with its help.
func newCommand(path string, run func(cmd *cobra.Command, args []string) error) *cobra.Command {
	h := helps()[path]
	return &cobra.Command{Use: h.Use, Short: h.Short, Long: broken.ReplaceAllString(h.Long, "$1 $2"), Example: h.Example, RunE: run, Args: func(cmd *cobra.Command, args []string) error {
		if err := cmd.ValidateFlagGroups(); err != nil {
			return usagef("%w", err)
		}
		least, most := 0, 0
		switch len(h.Args) {
		case 1:
			least, most = h.Args[0], math.MaxInt
		case 2:
			least, most = h.Args[0], h.Args[1]
		}
		if len(args) >= least && len(args) <= most {
			return nil
		}
		given := quantity.Count(len(args), "argument") + " given"
		if len(args) > most {
			given = fmt.Sprintf("%q is one argument too many", args[most])
		}
		return usagef("%s; usage: nightcell %s%s", given, path[:strings.LastIndexByte(path, ' ')+1], cmp.Or(h.Usage, h.Use))
	}}
}

// commands lists every command, in the order of a charge's life.
func commands(s *shell) []*cobra.Command {
	return []*cobra.Command{
		newFirstNightCommand(s),
		newPlanCommand(s),
		newAttachCommand(s),
		newCheckCommand(s),
		newPortsCommand(s),
		newDemoCommand(s),
		newWatchCommand(s),
		newSimulateCommand(s),
		newBeginCommand(s),
		newStatusCommand(s),
		newAlarmsCommand(s),
		newDrillCommand(s),
		newEnterCommand(s),
		newStepCommand(s),
		newOutputCommand(s, "hold"),
		newOutputCommand(s, "off"),
		newFinishCommand(s),
		newRunsCommand(s),
		newAccountCommand(s),
		(&shelf{shell: s, kind: ledger.OfBath}).command(openBath),
		(&shelf{shell: s, kind: ledger.OfElectrode}).command(openElectrode),
		newImportCommand(s),
		newVerifyCommand(s),
		newExportCommand(s),
		newBackupCommand(s),
		newLicencesCommand(s),
		newVersionCommand(s),
	}
}

// licences is written by .ci/licences from the modules that are linked; a check there refuses one that is missing.
//
//go:embed licences.txt.gz
var licences []byte

func newLicencesCommand(s *shell) *cobra.Command {
	return newCommand("licences", func(*cobra.Command, []string) error {
		text, err := gzip.NewReader(bytes.NewReader(licences))
		if err != nil {
			return fmt.Errorf("opening the licences: %w", err)
		}
		if _, err := io.Copy(s.out, text); err != nil {
			return fmt.Errorf("printing the licences: %w", err)
		}
		return nil
	})
}

// built is what the build recorded of this program.
func built() (version string, settings map[string]string) {
	settings = map[string]string{}
	if info, ok := debug.ReadBuildInfo(); ok {
		version = info.Main.Version
		for _, s := range info.Settings {
			settings[s.Key] = s.Value
		}
	}
	return cmp.Or(version, "unknown"), settings
}

// version is the module's.
func version() string {
	v, _ := built()
	return v
}

func newVersionCommand(s *shell) *cobra.Command {
	return newCommand("version", func(*cobra.Command, []string) error {
		version, recorded := built()
		text := "nightcell " + version + "\n"
		if commit := recorded["vcs.revision"]; commit != "" {
			modified := map[string]string{"true": ", and something that was not committed"}[recorded["vcs.modified"]]
			text += fmt.Sprintf("commit    %s of %s%s\n", commit, recorded["vcs.time"], modified)
		}
		text += fmt.Sprintf("built by  %s for %s/%s", runtime.Version(), runtime.GOOS, runtime.GOARCH)
		if arm := recorded["GOARM"]; arm != "" {
			text += "v" + arm
		}
		_, err := fmt.Fprintln(s.out, text)
		return err
	})
}
