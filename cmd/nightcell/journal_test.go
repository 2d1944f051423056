package main

import (
	"bytes"
	"strings"
	"testing"
)

// TestJournal pins the prefixes of sd-daemon(3), and that a line stays one line and keeps its time to itself.
func TestJournal(t *testing.T) {
	var out bytes.Buffer
	log := logTo(&out, true, true)
	log.Debug("refused", "answer", "1\n2")
	log.Info("watching", "time", "two")
	log.Warn("slow")
	log.Error("gone")
	want := "<7>msg=refused answer=\"1\\n2\"\n<6>msg=watching time=two\n<4>msg=slow\n<3>msg=gone\n"
	if out.String() != want {
		t.Errorf("got\n%swant\n%s", out.String(), want)
	}
	out.Reset()
	logTo(&out, false, false).Info("watching")
	if !strings.HasPrefix(out.String(), "time=") || !strings.HasSuffix(out.String(), " level=INFO msg=watching\n") {
		t.Errorf("outside of a journal: %s", out.String())
	}
}
