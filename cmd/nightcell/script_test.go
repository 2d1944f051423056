package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"nightcell/daemon/housetest"
)

// programs are those that scripts may run besides the system's own.
var programs = map[string]func(){
	"nightcell": func() { os.Exit(run(os.Args[1:], &shell{in: os.Stdin, out: os.Stdout, err: os.Stderr})) },
}

// TestMain lets scripts run nightcell as a program of its own, six side by side because they mostly wait. Built with the race detector, each such program would wait a second
// before it ends, so that goroutines still at work can be reported; their own ends are waited for here, and there are hundreds.
func TestMain(m *testing.M) {
	if err := os.Setenv("GORACE", strings.TrimSpace("atexit_sleep_ms=0 "+os.Getenv("GORACE"))); err != nil {
		panic(err)
	}
	testscript.Main(sideBySide{m}, programs)
}

// sideBySide are the tests, but not the programs that testscript.Main runs in their place.
type sideBySide struct{ *testing.M }

func (m sideBySide) Run() int {
	housetest.Flags(map[string]string{"test.parallel": "6"})
	return m.M.Run()
}

// TestScripts runs the command-line scripts of testdata/scripts, each in a folder of its own.
func TestScripts(t *testing.T) {
	t.Parallel()
	scenarios, err := filepath.Abs("../../testdata/scenarios")
	if err != nil {
		t.Fatal(err)
	}
	examples, err := filepath.Abs("../../configs")
	if err != nil {
		t.Fatal(err)
	}
	testscript.Run(t, testscript.Params{
		Dir: "../../testdata/scripts",
		Setup: func(e *testscript.Env) error {
			e.Vars = append(e.Vars, "SCENARIOS="+scenarios, "EXAMPLES="+examples, "GORACE="+os.Getenv("GORACE"))
			return nil
		},
		Cmds: map[string]func(ts *testscript.TestScript, neg bool, args []string){
			"await":      await,
			"holds":      holds,
			"await-gone": awaitGone,
			"forge":      forge,
		},
	})
}

// await waits until a file matches a pattern: await FILE PATTERN. It fails after two minutes.
func await(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: await FILE PATTERN")
	}
	pattern, err := regexp.Compile("(?m)" + args[1])
	ts.Check(err)
	path := ts.MkAbs(args[0])
	var text []byte
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for end := time.Now().Add(2 * time.Minute); time.Now().Before(end); <-tick.C {
		if text, err = os.ReadFile(path); err == nil && pattern.Match(text) {
			return
		}
	}
	ts.Fatalf("%s never matched %q; it holds:\n%s", args[0], args[1], text)
}

// awaitGone waits until the process whose number a file holds has ended: await-gone FILE.
func awaitGone(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: await-gone FILE")
	}
	pid, err := strconv.Atoi(strings.TrimSpace(ts.ReadFile(args[0])))
	ts.Check(err)
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	for end := time.Now().Add(2 * time.Minute); time.Now().Before(end); <-tick.C {
		state, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
		// Gone, or waiting to be collected. The first thread may wait already while others still hold files and their locks.
		threads, _ := os.ReadDir(fmt.Sprintf("/proc/%d/task", pid))
		if err != nil || strings.Contains(string(state), ") Z ") && len(threads) <= 1 {
			return
		}
	}
	ts.Fatalf("process %d did not end", pid)
}

// holds checks a number or a truth in the standard output of the last command, one
// JSON object: holds KEY OP VALUE, where OP is == or < or >, and VALUE a number, true, false or another key.
func holds(ts *testscript.TestScript, neg bool, args []string) {
	if len(args) != 3 {
		ts.Fatalf("usage: holds KEY OP VALUE")
	}
	var object map[string]any
	ts.Check(json.Unmarshal([]byte(ts.ReadFile("stdout")), &object))
	left, ok := object[args[0]]
	if !ok {
		ts.Fatalf("no key %s in %v", args[0], object)
	}
	var right any = args[2]
	if v, ok := object[args[2]]; ok {
		right = v
	} else if n, err := strconv.ParseFloat(args[2], 64); err == nil {
		right = n
	} else if b, err := strconv.ParseBool(args[2]); err == nil {
		right = b
	}
	var result bool
	switch a, isNumber := left.(float64); args[1] {
	case "==":
		result = fmt.Sprint(left) == fmt.Sprint(right)
	case "<":
		b, both := right.(float64)
		result = isNumber && both && a < b
	case ">":
		b, both := right.(float64)
		result = isNumber && both && a > b
	default:
		ts.Fatalf("unknown comparison %s", args[1])
	}
	if result == neg {
		ts.Fatalf("%s is %v: not %s %v", args[0], left, args[1], right)
	}
}
