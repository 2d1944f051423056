package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
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
