package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"nightcell/daemon/control"
	"nightcell/daemon/finish"
	"nightcell/drivers"
)

func newFinishCommand(s *shell) *cobra.Command {
	r := &reach{}
	var run string
	cmd := newCommand("finish", func(cmd *cobra.Command, args []string) error {
		where, err := r.place(args[0], run)
		if err != nil {
			return err
		}
		if where.dir == "" {
			return usagef("name the run of the checklist: --config FILE or --run DIRECTORY")
		}
		w := &walk{shell: s, reach: r, place: where}
		subject, items, err := w.look()
		if err != nil {
			return err
		}
		if subject.Cell != args[0] {
			return usagef("%s is a run of cell %s, not of %s", where.dir, subject.Cell, args[0])
		}
		in, isFile := s.in.(*os.File)
		if _, terminal := columns(s.out); !isFile || !terminal || !term.IsTerminal(int(in.Fd())) {
			return w.standing(items)
		}
		return w.all(cmd.Context())
	})
	r.addFlags(cmd)
	cmd.Flags().StringVar(&run, "run", "", "`run` by directory or start, such as 20260110T200000Z (default: the open run, else the last)")
	return cmd
}

// errLater stands for an answer that is left for later.
var errLater = errors.New("later")

// walk is a person going through the checklist of a run.
type walk struct {
	*shell
	*reach
	place place
	asker
}

// look reads how the checklist stands now.
func (w *walk) look() (*finish.Subject, []finish.Item, error) {
	s, err := finish.Read(w.place.dir)
	if err != nil {
		return nil, nil, readingError(err)
	}
	return s, s.Items(), nil
}

// all asks for what is open, in order, and ends with the account.
func (w *walk) all(ctx context.Context) error {
	w.asker = newAsker(w.in, w.out)
	later := map[string]bool{}
	for {
		s, items, err := w.look()
		if err != nil {
			return err
		}
		n := slices.IndexFunc(items, func(i finish.Item) bool { return i.State == finish.Open && !later[i.Name] })
		if n < 0 {
			return w.end(items)
		}
		fmt.Fprintf(w.out, "\n%d of %d  %s\n", n+1, len(items), items[n].Title)
		for _, line := range items[n].Text {
			w.say(line)
		}
		if items[n].Act != "" && w.place.isOpen {
			w.say(fmt.Sprintf("Where the configuration allows it: nightcell %[1]s %[2]s --confirm %[2]s", items[n].Act, s.Cell))
		}
		switch err := w.item(ctx, s, &items[n]); {
		case errors.Is(err, errLater):
			later[items[n].Name] = true
		case errors.Is(err, errStop):
			fmt.Fprintf(w.out, "\nStopped. What was entered is kept: nightcell finish %s goes on from here.\n", drivers.Plain(s.Cell))
			return nil
		case err != nil:
			return err
		}
	}
}

// item asks until one answer is taken.
func (w *walk) item(ctx context.Context, s *finish.Subject, i *finish.Item) error {
	for {
		choice, values, text, err := w.answer(ctx, i)
		if err != nil {
			return err
		}
		e, err := i.Answer(choice, values, text)
		e.By = w.who()
		if err == nil {
			err = w.hand(ctx, s, e)
		}
		if control.IsContradiction(err) {
			w.say(speak(err).Error())
			switch sure, stop := w.put(ctx, "  Enter it anyway? yes or no: "); {
			case stop != nil:
				return stop
			case sure != "yes":
				continue
			}
			e.Certain = true
			err = w.hand(ctx, s, e)
		}
		if !control.IsMistake(err) {
			return err
		}
		w.say(speak(err).Error())
	}
}

// hand hands an entry on and tells what came of it.
func (w *walk) hand(ctx context.Context, s *finish.Subject, e control.Entry) error {
	watch, err := w.watchOf(w.place)
	if err != nil {
		return err
	}
	done, err := s.Hand(ctx, watch, e, time.Now())
	if err != nil {
		return err
	}
	for _, line := range append([]string{"Entered as " + done.Name + "."}, done.Notes...) {
		w.say(line)
	}
	return nil
}

// ways is what may be answered to any item.
const ways = "Enter = later, - = leave it out, q = stop"

// answer asks for all that an item needs.
func (w *walk) answer(ctx context.Context, i *finish.Item) (choice string, values map[string]string, text string, err error) {
	values = map[string]string{}
	prompt := "  y = done, " + ways + ": "
	if i.Choices != nil {
		var names []string
		for _, c := range i.Choices {
			w.say(c.Name + ": " + c.Text)
			names = append(names, c.Name)
		}
		prompt = fmt.Sprintf("  %s (%s): ", strings.Join(names, ", "), ways)
	}
	fields := i.Ask
	if len(fields) == 0 {
		switch choice, err = w.put(ctx, prompt); {
		case err != nil || choice == "":
			return "", nil, "", cmp.Or(err, errLater)
		case choice == "-":
			text, err = w.put(ctx, "  Why: ")
			return control.ItemLeftOut, nil, text, err
		case choice == finish.HandOver:
			fields = []string{"volume", "to"}
		case i.Choices == nil && (choice == "y" || choice == "yes"):
			return "", nil, "", nil
		}
	}
	for n, name := range fields {
		f := i.Field(name)
		form := "Enter = none"
		if n == 0 && choice == "" {
			form = ways
		}
		said, err := w.put(ctx, fmt.Sprintf("  %s, such as %s (%s): ", f.Label, f.Example, form))
		switch {
		case err != nil:
			return "", nil, "", err
		case said == "-" && n == 0:
			text, err = w.put(ctx, "  Why: ")
			return control.ItemLeftOut, nil, text, err
		case said != "":
			values[name] = said
		case n == 0 && choice == "" && !i.First:
			return "", nil, "", errLater
		}
		if n == 0 && i.First && said != "" {
			break
		}
	}
	if len(values) == 0 && i.First {
		err = errLater
	}
	return choice, values, "", err
}

// standing prints how every item stands.
func (w *walk) standing(items []finish.Item) error {
	return w.table(func(to io.Writer) {
		for _, i := range items {
			state, said := string(i.State), ""
			if i.State == finish.Open && i.Optional {
				state = "if you like"
			}
			if i.By != nil {
				said = strings.TrimSpace(fmt.Sprintf("%s  %s, %s", i.Said(), localTime(i.By.At), i.By.By))
			}
			fmt.Fprintf(to, "%s\t%s\t%s\n", state, i.Title, drivers.Plain(said))
		}
	})
}

// end prints what is still open, and the account.
func (w *walk) end(items []finish.Item) error {
	fmt.Fprintln(w.out)
	if err := w.standing(items); err != nil {
		return err
	}
	account, _, err := w.accountOf([]string{w.place.dir})
	if err != nil {
		return err
	}
	fmt.Fprintln(w.out)
	return w.report(false, account)
}
