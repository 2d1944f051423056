package runlog

import (
	"slices"
	"strings"
	"testing"

	"github.com/influxdata/line-protocol/v2/lineprotocol"
)

func TestNumbers(t *testing.T) {
	for line, want := range map[string]string{
		"reading,cell=z step=5i,volts=3.2,amperes=3,mode=\"cc\",output=\"on\" 17":                                     "reading,cell=z step=5i,volts=3.2,amperes=3 17\n",
		"reading,cell=z step=5i,volts=3.2,amperes=3,supply_volts=3.4,supply_amperes=3.1,mode=\"cc\",output=\"on\" 17": "reading,cell=z step=5i,volts=3.2,amperes=3,supply_volts=3.4,supply_amperes=3.1 17\n",
		"alarm,cell=z text=\"a, b=1 \\\"c\\\" 9\",since=4i,raised=true 17":                                            "alarm,cell=z since=4i,raised=true 17\n",
		"alarm,cell=z\\ 1,condition=x since=4i,text=\"\\\\\" 17":                                                      "alarm,cell=z\\ 1,condition=x since=4i 17\n",
		"entry,cell=z text=\"only, words\" 17":                                                                        "",
		"entry,cell=z by=\"ann\",text=\"\" 17":                                                                        "",
		"gap,cell=z a\\=b=1,c\\ d=\"t\",e\\,f=2u 17":                                                                  "gap,cell=z a\\=b=1,e\\,f=2u 17\n",
	} {
		var r Record
		if err := new(decoder).decode([]byte(line), &r); err != nil {
			t.Fatal(err)
		}
		if got := string(r.Numbers()); got != want {
			t.Errorf("%q: %q, want %q", line, got, want)
		}
	}
}

// FuzzNumbers holds the result against the library's decoder: the numbers of every line of a log, in their order, and no text.
func FuzzNumbers(f *testing.F) {
	f.Add("reading,cell=z step=5i,volts=3.2,amperes=3,mode=\"constant-current\",output=\"on\" 17")
	f.Add("alarm,cell=b\\ c x\\=y=\"\\\"\\\\ ,\",z=1i 5")
	numbers := func(t *testing.T, line []byte) (list []string, texts int) {
		d := lineprotocol.NewDecoderWithBytes(line)
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
		var r Record
		if new(decoder).decode([]byte(line), &r) != nil || r.Cell == "" { // every line of a log names its cell
			return
		}
		want, _ := numbers(t, []byte(line))
		if r.Kind == KindReading { // others than a log's, or in another order, are none of ours
			ours := []string{"step=", "volts=", "amperes=", "supply_volts=", "supply_amperes="}
			at := 0
			for _, field := range want {
				for at < len(ours) && !strings.HasPrefix(field, ours[at]) {
					at++
				}
				if at++; at > len(ours) {
					return
				}
			}
		}
		got := r.Numbers()
		if len(want) == 0 {
			if got != nil {
				t.Fatalf("%q: %q is left of a line without a number", line, got)
			}
			return
		}
		if left, texts := numbers(t, got); texts != 0 || !slices.Equal(left, want) {
			t.Fatalf("%q: %q", line, got)
		}
	})
}
