package language

import (
	"fmt"
	"slices"
	"strings"
	"testing"
)

// The numbers and texts here are those of SCPI-1999 volume 2, 21.8, and IEEE 488.2, as two general-purpose parser
// libraries quote them; what is marked "from memory" was not found quoted.

func TestHeaders(t *testing.T) {
	b := newBench()
	b.talk(t, []exchange{
		// Short and long forms, any case, nothing in between (SCPI-99 volume 1, 6.2.1; from memory).
		{"VOLT 1.5", ""}, {"VOLT?", "1.5000\n"},
		{"voltage 2", ""}, {"Volt?", "2.0000\n"},
		{":SOURCE:VOLTAGE:LEVEL:IMMEDIATE:AMPLITUDE 3", ""}, {"sour:volt:lev:imm:ampl?", "3.0000\n"},
		{"SOUR:VOLT:IMM 4;:VOLT?", "4.0000\n"},
		{"VOLTA 9", ""}, {"SYST:ERR?", "-113,\"Undefined header;VOLTA 9\"\n"},
		{"VOL?", ""}, {"SYST:ERR?", "-113,\"Undefined header;VOL?\"\n"},
		{"OUTP:STAT:FOO?", ""}, {"SYST:ERR?", "-113,\"Undefined header;OUTP:STAT:FOO?\"\n"},
		{"MEAS:VOLT", ""}, {"SYST:ERR?", "-113,\"Undefined header;MEAS:VOLT\"\n"}, // a query without a command form
		{"*RST?", ""}, {"SYST:ERR?", "-113,\"Undefined header;*RST?\"\n"}, // a command without a query form
		{"SOUR2:VOLT 5", ""}, {"VOLT?", "5.0000\n"},
		{"OUTP2 ON", ""}, {"SYST:ERR?", "-113,\"Undefined header;OUTP2 ON\"\n"},
		{"SOUR0:VOLT 6", ""}, {"SYST:ERR?", "-114,\"Header suffix out of range;SOUR0:VOLT 6\"\n"},
		{"SOUR4:VOLT 6", ""}, {"SYST:ERR?", "-114,\"Header suffix out of range;SOUR4:VOLT 6\"\n"},
		{"VOLT?", "5.0000\n"},                                                  // none of the bad ones changed it
		{"", ""}, {"\n", ""}, {" \r\n", ""}, {"SYST:ERR?", "0,\"No error\"\n"}, // an empty message is no error
	})
}

func TestHeaderPath(t *testing.T) {
	// SCPI-99 volume 1, 6.2.4 (from memory): a unit goes on where the last one stood, a colon begins at the root, and
	// a common command leaves the path alone.
	b := newBench()
	b.talk(t, []exchange{
		{"MEAS:VOLT?;CURR?", "1.25;2.5\n"},
		{"MEAS:VOLT?;:MEAS:CURR?", "1.25;2.5\n"},
		{"MEAS:VOLT?;*OPC?;CURR?", "1.25;1;2.5\n"},
		{"VOLT 7;CURR 1;:VOLT?;CURR?", "7.0000;1.0000\n"},
		{"SOUR:VOLT 8;CURR 2;VOLT?", "8.0000\n"},
		{"VOLT:PROT?;LEV?", "33;8.0000\n"}, // LEVel under VOLTage
		{"MEAS:VOLT:DC?;CURR:DC?", "1.25\n"}, {"SYST:ERR?", "-113,\"Undefined header;CURR:DC?\"\n"},
		{"MEAS:VOLT?;MEAS:CURR?", "1.25\n"}, {"SYST:ERR?", "-113,\"Undefined header;MEAS:CURR?\"\n"},
		{"CURR?", "2.0000\n"}, // a new message begins at the root
	})
}

func TestArguments(t *testing.T) {
	accepted := map[string]float64{
		"1": 1, "+1.5": 1.5, "2.": 2, ".5": .5, "1e1": 10, "15E-1": 1.5, "3 V": 3, "3V": 3, "1500 mV": 1.5, "1500MV": 1.5,
		"MAX": 30, "maximum": 30, "MIN": 0, "DEF": 5,
	}
	for text, want := range accepted {
		b := newBench()
		b.Handle("VOLT " + text)
		if b.volts != want || b.Errors() != nil {
			t.Errorf("VOLT %s set %g with %v, want %g", text, b.volts, b.Errors(), want)
		}
	}
	refused := map[string]Error{
		"VOLT": MissingParameter, "VOLT 1,2": ParameterNotAllowed, "VOLT 31": OutOfRange, "VOLT -1": OutOfRange,
		"VOLT 1 A": InvalidSuffix, "VOLT 1 XV": InvalidSuffix, "VOLT 1 2": InvalidSuffix, "VOLT MUCH": DataTypeError, "VOLT \"1\"": DataTypeError,
		"VOLT 1e400": OutOfRange, "VOLT -": DataTypeError, "VOLT 1)": InvalidSuffix,
		"OUTP 1V": InvalidSuffix, "OUTP 1M": InvalidSuffix, "*CLS 1": ParameterNotAllowed, "*IDN? 1": ParameterNotAllowed, "*IDN? (@1)": ParameterNotAllowed,
		"OUTP MAYBE": DataTypeError, "OUTP MAX": DataTypeError, "VOLT? FOO": IllegalParameter, "VOLT? 1": IllegalParameter, "CURR 4": SettingsConflict,
		"VOLT 1,(@4)": OutOfRange, "VOLT 1,(@)": InvalidExpression, "VOLT 1,(1)": InvalidExpression, "VOLT 1,(@1": InvalidExpression,
		"VOLT 1,(@2:1)": OutOfRange, "VOLT 1,(@A)": InvalidExpression, "VOLT? (@1),1": InvalidExpression,
		"VOLT,1": UndefinedHeader, "VOLT::LEV 1": UndefinedHeader, ";": UndefinedHeader, "VOLT 1,,2": ParameterNotAllowed, "VÖLT 1": UndefinedHeader,
		"VOLT\n1": UndefinedHeader, "VO+LT": UndefinedHeader, "*": UndefinedHeader,
	}
	for text, want := range refused {
		b := newBench()
		before := b.volts
		if got := b.Handle(text); got != "" {
			t.Errorf("%s answered %q", text, got)
		}
		if e := b.Errors(); len(e) == 0 || !strings.HasPrefix(e[0], strings.TrimSuffix(string(want), "\"")) || b.volts != before {
			t.Errorf("%s left %v and %g V, want error %s and no change", text, e, b.volts, want)
		}
	}
}

func TestBoolean(t *testing.T) {
	b := newBench()
	b.talk(t, []exchange{
		{"OUTP ON;OUTP?", "1\n"}, {"OUTP off;OUTP?", "0\n"}, {"OUTP 1;OUTP?", "1\n"}, {"OUTP 0.4;OUTP?", "0\n"},
		{"OUTP -3;OUTP?", "1\n"}, {"OUTP:STAT 0;STAT?", "0\n"},
	})
}

func TestChannelList(t *testing.T) {
	for text, last := range map[string]int{"VOLT 1,(@1)": 1, "VOLT 1,(@1,3)": 3, "VOLT 1, (@1:2)": 2, "SOUR2:VOLT 1": 2, "VOLT 1": 1} {
		b := newBench()
		if b.Handle(text); b.channel != last {
			t.Errorf("%s went to channel %d, want %d; %v", text, b.channel, last, b.Errors())
		}
	}
	newBench().talk(t, []exchange{{"VOLT 2,(@1:3);VOLT? (@1,3)", "2.0000,2.0000\n"}, {"VOLT? MAX,(@3)", "30.0000\n"}})
}

func TestErrorQueue(t *testing.T) {
	b := newBench()
	b.talk(t, []exchange{
		{"SYST:ERR?", "0,\"No error\"\n"},
		{"VOLT 99", ""}, {"FOO \"x\"", ""},
		{"SYST:ERR:NEXT?", "-222,\"Data out of range;VOLT 99\"\n"}, // first in, first out
		{"SYST:ERR?", "-113,\"Undefined header;FOO \"\"x\"\"\"\n"}, {"SYST:ERR?", "0,\"No error\"\n"},
	})
	// When full, the newest entry gives way to -350 and later ones are lost.
	var full []string
	for n := range queueLength + 2 {
		b.Handle(fmt.Sprintf("VOLT %d", 100+n))
		full = append(full, fmt.Sprintf("-222,\"Data out of range;VOLT %d\"", 100+n))
	}
	if got, want := b.Errors(), append(full[:queueLength-1], string(QueueOverflow)); !slices.Equal(got, want) {
		t.Errorf("the queue holds %q, want %q", got, want)
	}
	b.talk(t, []exchange{{"*CLS", ""}, {"SYST:ERR?", "0,\"No error\"\n"}})
	b.Handle("VOLT " + strings.Repeat("0", 2000) + "1")
	b.talk(t, []exchange{{"SYST:ERR?", "-363,\"Input buffer overrun\"\n"}, {"VOLT?", "0.0000\n"}})
}

func TestCommonCommands(t *testing.T) {
	b := newBench()
	b.talk(t, []exchange{{"*IDN?", "EXAMPLE,BENCH,1,2\n"}, {"*OPC?", "1\n"}, {"*OPC;*CLS", ""}})
	if b.Handle("*RST"); b.resets != 1 {
		t.Errorf("*RST reset %d times", b.resets)
	}
	if n := strings.Count(b.Handle("*IDN?"), ","); n != 3 {
		t.Errorf("*IDN? has %d commas, want 3: four fields", n)
	}
}

func TestErrorsInCompoundMessages(t *testing.T) {
	// Common practice, no source: after a command error the rest of the message is not trusted; an execution error loses only its unit.
	b := newBench()
	b.talk(t, []exchange{
		{"VOLT 1;FOO;VOLT 2;VOLT?", ""}, {"VOLT?", "1.0000\n"},
		{"VOLT 3;CURR 99;VOLT 4;VOLT?", "4.0000\n"},
		{"MEAS:VOLT?;FOO?;CURR?", "1.25\n"},
	})
}

func FuzzHandle(f *testing.F) {
	for _, s := range []string{"*IDN?", "MEAS:VOLT?;CURR?", "VOLT 1.5 mV;:SOUR2:VOLT 1E1,(@1:3)", "VOLT \"a;b\",'c'", ";;:*?", "VOLT 99\n9;SYST:ERR?"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, message string) {
		b := newBench()
		answer := b.Handle(message)
		if answer != "" && (!strings.HasSuffix(answer, "\n") || strings.Count(answer, "\n") != 1) {
			t.Errorf("%q answered %q: not one line", message, answer)
		}
		if !(b.volts >= 0 && b.volts <= 30) {
			t.Errorf("%q set %g V, outside the range", message, b.volts)
		}
		if n := len(b.queue); n > queueLength {
			t.Errorf("%q left %d errors in a queue of %d", message, n, queueLength)
		}
		for _, e := range b.Errors() {
			if !strings.HasPrefix(e, "-") || !strings.HasSuffix(e, `"`) {
				t.Errorf("%q left the error %q", message, e)
			}
		}
		// The long and the short spelling of the same thing mean the same: case never matters.
		again := newBench()
		if upper := again.Handle(strings.ToUpper(message)); isASCII(message) && !strings.Contains(message, "\"") && !strings.Contains(strings.ToUpper(message), "ERR") && upper != answer {
			t.Errorf("%q answered %q, in capitals %q", message, answer, upper)
		}
	})
}

func isASCII(s string) bool {
	for _, r := range s {
		if r > 126 {
			return false
		}
	}
	return true
}
