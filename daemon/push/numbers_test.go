package push

import (
	"slices"
	"strings"
	"testing"

	"github.com/influxdata/line-protocol/v2/lineprotocol"
)

func TestNumbersOnly(t *testing.T) {
	for line, want := range map[string]string{
		"reading,cell=z volts=3.2,amperes=3 17\n":                            "reading,cell=z volts=3.2,amperes=3 17\n",
		"reading,cell=z volts=3.2,mode=\"constant-current\",amperes=3 17\n":  "reading,cell=z volts=3.2,amperes=3 17\n",
		"alarm,cell=z text=\"a, b=1 \\\"c\\\" 9\",since=4i,raised=true 17\n": "alarm,cell=z since=4i,raised=true 17\n",
		"alarm,cell=z\\ 1,condition=x since=4i,text=\"\\\\\" 17\n":           "alarm,cell=z\\ 1,condition=x since=4i 17\n",
		"remark,cell=z text=\"only, words\" 17\n":                            "",
		"remark,cell=z by=\"ann\",text=\"\" 17\n":                            "",
		"  z text=\"words\",since=4i 17\n":                                   "z since=4i 17\n",
		"a\\\\ b,cell=z text=\"words\",since=4i 17\n":                        "a\\\\ b,cell=z since=4i 17\n",
		"odd,cell=z a\\=b=1,c\\ d=\"t\",e\\,f=2u 17\n":                       "odd,cell=z a\\=b=1,e\\,f=2u 17\n",
	} {
		if err := parse(line); err != nil {
			t.Fatal(err)
		}
		if got := string(numbersOnly([]byte(line))); got != want {
			t.Errorf("%q: %q, want %q", line, got, want)
		}
	}
}

// FuzzNumbersOnly holds the result against the library's decoder: the numbers of every sound line, in their order, and no text.
func FuzzNumbersOnly(f *testing.F) {
	f.Add("reading,cell=z volts=3.2,mode=\"constant-current\",amperes=3 17\n")
	f.Add("m,a=b\\ c x\\=y=\"\\\"\\\\ ,\",z=1i 5\n")
	numbers := func(t *testing.T, line string) (list []string, texts int) {
		d := lineprotocol.NewDecoderWithBytes([]byte(line))
		if !d.Next() {
			t.Fatalf("no line: %q", line)
		}
		for {
			key, value, err := d.NextField()
			if err != nil {
				t.Fatalf("%q: %v", line, err)
			}
			switch {
			case key == nil:
				return list, texts
			case value.Kind() == lineprotocol.String:
				texts++
			default:
				list = append(list, string(key)+"="+value.String())
			}
		}
	}
	f.Fuzz(func(t *testing.T, line string) {
		if i := strings.IndexByte(line, '\n'); i != len(line)-1 || parse(line) != nil || line[0] == '#' {
			return
		}
		want, _ := numbers(t, line)
		got := string(numbersOnly([]byte(line)))
		if len(want) == 0 {
			if got != "" {
				t.Fatalf("%q: %q is left of a line without a number", line, got)
			}
			return
		}
		if left, texts := numbers(t, got); texts != 0 || !slices.Equal(left, want) {
			t.Fatalf("%q: %q", line, got)
		}
	})
}
