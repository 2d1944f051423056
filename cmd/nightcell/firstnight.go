package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"nightcell/configs"
	"nightcell/drivers"
	"nightcell/drivers/simulated"
	"nightcell/integrate/plan"
)

// rehearsalSpeed is how fast the clock of a simulated first night runs.
const rehearsalSpeed = 60

func newFirstNightCommand(s *shell) *cobra.Command {
	f := firstNight{shell: s, file: configName}
	cmd := newCommand("first-night", func(cmd *cobra.Command, args []string) error {
		if len(args) > 0 {
			f.file = args[0]
		}
		return f.run(cmd.Context())
	})
	cmd.Flags().StringVar(&f.listen, "listen", "", "serve the page and metrics on this `address` (default: 127.0.0.1:9648)")
	return cmd
}

// firstNight is the way of a newcomer to a watched cell.
type firstNight struct {
	*shell
	asker
	file, listen string

	said map[string]string // what was typed, by the names of the questions, kept over an interruption
	now  map[string]string // every answer of this time
	doc  document
	key  string     // of the answer taken last, in the configuration
	plan *plan.Plan // once the bath and the cell are stated
}

// kept is where unfinished answers are.
func (f *firstNight) kept() string { return f.file + ".unfinished" }

func (f *firstNight) run(ctx context.Context) error {
	if err := checkExtension("first-night", f.file, ".toml"); err != nil {
		return err
	}
	if _, err := os.Lstat(f.file); err == nil {
		return usagef("%s exists and is not overwritten; watch it: nightcell watch --config %[1]s, or name another: nightcell first-night other.toml", f.file)
	}
	f.said, f.now = map[string]string{}, map[string]string{}
	text, err := os.ReadFile(f.kept())
	if err == nil {
		err = json.Unmarshal(text, &f.said)
	}
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return usagef("the answers kept in %s cannot be read: %w; remove it to start again", f.kept(), err)
	}
	f.asker = newAsker(f.in, f.out)
	fmt.Fprintln(f.out, "nightcell is a monitor, not a safety device, and never switches an output on. Hydrogen, acid mist and unattended current\n"+
		"call for ventilation, fuse, current limit and mains timer that work without it. Your local code and licensed people come first.")
	switch err = f.ask12(ctx); {
	case errors.Is(err, errStop):
		return f.keep()
	case err != nil:
		return errors.Join(err, f.keep())
	}
	return f.begin(ctx)
}

// keep keeps the answers of who stops.
func (f *firstNight) keep() error {
	if len(f.said) == 0 {
		fmt.Fprintln(f.out, "\nStopped. Nothing was written.")
		return nil
	}
	text, err := json.MarshalIndent(f.said, "", "  ")
	if err == nil {
		err = os.WriteFile(f.kept(), append(text, '\n'), 0o600)
	}
	if err != nil {
		return fmt.Errorf("keeping the answers: %w", err)
	}
	fmt.Fprintf(f.out, "\nStopped. Your answers are kept in %s: the same command goes on with them. Nothing else was written.\n", f.kept())
	return nil
}

// ask12 puts the questions in order and writes the configuration, again from the first where the answers do not go together.
func (f *firstNight) ask12(ctx context.Context) error {
	for {
		f.doc, f.plan = newDocument(), nil
		f.doc.head, f.doc.why = firstNightHead, map[string]string{}
		if f.listen != "" {
			f.doc.set("page.listen", f.listen)
		}
		again := error(nil)
		list := f.questions()
		for i := range list {
			if again = f.one(ctx, i, len(list), &list[i]); again != nil {
				break
			}
		}
		if again == nil {
			again = f.doc.write(f.file, f.plan)
		}
		var wrong usageError
		if !errors.As(again, &wrong) {
			return again
		}
		fmt.Fprintln(f.out)
		var mistakes configs.Mistakes
		if errors.As(again, &mistakes) {
			for _, m := range mistakes {
				f.say(strings.TrimPrefix(m.Key, "cell.") + ": " + m.Wrong + "; " + m.Remedy)
			}
		} else {
			f.say(speak(again).Error())
		}
		f.say("These answers contradict each other. The questions start again, with your answers as defaults.")
	}
}

// one asks one question until its answer can be taken.
func (f *firstNight) one(ctx context.Context, i, of int, q *question) error {
	proposed, why, err := q.propose()
	if err != nil {
		return err
	}
	first := proposed
	if said := f.said[q.name]; said != "" && said != first {
		proposed, why = said, fmt.Sprintf("You said %s before; proposed is %s: %s", said, first, why)
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

// begin checks what was written with the supply, and ends in the watch.
func (f *firstNight) begin(ctx context.Context) error {
	if err := os.Remove(f.kept()); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	fmt.Fprintf(f.out, "\n%s is written. Checking it, and querying the supply:\n\n", f.file)
	speed := 1.0
	if f.simulated() {
		speed = rehearsalSpeed
		port, err := f.simulate(ctx, speed)
		if err != nil {
			return err
		}
		defer func() { _ = port.Close() }()
	}
	if err := (&checkFlags{config: f.file, ask: true, patience: "20 s"}).run(ctx, f.shell); err != nil {
		fmt.Fprintf(f.err, "\nFix what is named above, in %s or at the supply; then: nightcell watch --config %[1]s\n", f.file)
		return err
	}
	c, err := configs.Load(f.file)
	if err != nil {
		return usageError{err}
	}
	called := "Nobody is called yet: configs/notices-and-databases.toml shows how to change that."
	if len(c.Routes) > 0 {
		called = fmt.Sprintf("Prove that you are called: nightcell drill %s --config %s", c.Cells[0].Name, f.file)
	}
	fmt.Fprintf(f.out, "\nThe page: http://%s/\n%s\nBefore you leave it alone: nightcell begin %s --config %s\n", c.Page.Listen, called, c.Cells[0].Name, f.file)
	if f.simulated() {
		fmt.Fprintf(f.out, "Supply and cell are simulated, an hour in a minute. Later, on two terminals:\n    nightcell simulate --link %s --speed %g\n    nightcell watch --config %s --speed %[2]g\n",
			f.link(), speed, f.file)
	}
	answer, err := f.put(ctx, "\nStart nightcell watch now? It runs until Ctrl-C. Enter = yes, q = stop: ")
	if err != nil || answer != "" && !strings.HasPrefix(strings.ToLower(answer), "y") {
		fmt.Fprintf(f.out, "Everything is kept: nightcell watch --config %s\n", f.file)
		return nil
	}
	return (&watchFlags{config: f.file, speed: speed}).run(ctx, f.shell)
}

// simulated says that the supply is to be simulated, and link where.
func (f *firstNight) simulated() bool { return f.now["supply"] == simulatedSupply }

func (f *firstNight) link() string {
	path, err := filepath.Abs(filepath.Join(filepath.Dir(f.file), "simulated-supply"))
	if err != nil { // the working directory is gone; the watch will say so
		return "simulated-supply"
	}
	return path
}

// simulate is a supply with a cell that works as the answers say, as far as the simulation knows its metal.
func (f *firstNight) simulate(ctx context.Context, speed float64) (*simulated.PTY, error) {
	script := "name = \"first night\"\n[supply]\n"
	if a := f.plan.Order.Bath.Conditions.Current.Value; a > 0 && a <= 5 {
		script += fmt.Sprintf("amperes = %.4g\n", a)
	}
	if m := f.plan.Bath.Metal.Element.Name; m == "zinc" || m == "copper" {
		litres := f.plan.Bath.Volume.Value * 1e3
		script += fmt.Sprintf("[cell]\nmetal = %q\ngrams_per_litre = %.4g\nlitres = %.4g\n", m, math.Min(f.plan.Concentration().Value, 200), litres)
	}
	scenario, err := simulated.ParseScenario("first night", []byte(script))
	if err != nil {
		return nil, err
	}
	instrument, err := simulated.New(simulated.Setup{Clock: drivers.NewClock(speed), Seed: 1, Scenario: scenario})
	if err != nil {
		return nil, err
	}
	if err := linkable(f.link()); err != nil {
		return nil, err
	}
	return simulated.Serve(ctx, instrument, f.link())
}
