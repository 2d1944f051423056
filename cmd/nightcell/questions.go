package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"nightcell/daemon/report"
	"nightcell/drivers"
	"strings"
)

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
