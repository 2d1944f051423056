package modbus

import (
	"bytes"
	"encoding/hex"
	"errors"
	"strings"
	"testing"
)

func octets(t testing.TB, text string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(text, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func parsed(t testing.TB, text string) *Message {
	t.Helper()
	m, err := Parse(text)
	if err != nil {
		t.Fatalf("%s: %v", text, err)
	}
	return &m
}

// Requests and answers as the Modbus Application Protocol V1.1b3 prints them in 6.1 to 6.12, and frames with the checksums that
// circulate with them and stand in the serial line guide V1.02 (CRC of 02 07 is 41 12 there); the specification itself was not opened.
func TestPublishedExamples(t *testing.T) {
	if got := crc([]byte{0x02, 0x07}); got != 0x1241 { // low byte first on the wire
		t.Errorf("checksum of 02 07: %04X", got) // outside: modbus-serial CRC example
	}
	if got := crc([]byte("123456789")); got != 0x4B37 {
		t.Errorf("checksum of 123456789: %04X", got) // outside: the check value of CRC-16/MODBUS
	}
	for _, c := range []struct {
		message, request, answer, want string
		framing                        Framing
		transaction                    uint16
	}{
		{"holding 107; holding 108; holding 109", "11 03 006B 0003 7687", "11 03 06 022B 0000 0064 C8BA", "555;0;100", Framing{Unit: 0x11}, 0},
		{"holding 107 uint16; holding 108; holding 109 uint16 1", "11 03 006B 0003 7687", "11 03 06 AE41 5652 4340 49AD", "44609;22098;17216", Framing{Unit: 0x11}, 0},
		{"holding 0x6B; holding 0x6D", "0001 0000 0006 11 03 006B 0003", "0001 0000 0009 11 03 06 022B 0000 0064", "555;100", Framing{TCP: true, Unit: 0x11}, 1},
		{"holding 0; holding 1", "01 03 0000 0002 C40B", "", "", Framing{Unit: 1}, 0},
		{"holding 1 = 3", "11 06 0001 0003 9A9B", "11 06 0001 0003 9A9B", "", Framing{Unit: 0x11}, 0},
		{"coil 172 = 1", "0007 0000 0006 01 05 00AC FF00", "0007 0000 0006 01 05 00AC FF00", "", Framing{TCP: true, Unit: 1}, 7},
		{"input 8", "0000 0000 0006 01 04 0008 0001", "0000 0000 0005 01 04 02 000A", "10", Framing{TCP: true, Unit: 1}, 0},
		{"discrete 196; discrete 217", "0000 0000 0006 01 02 00C4 0016", "0000 0000 0006 01 02 03 AC DB 35", "0;1", Framing{TCP: true, Unit: 1}, 0},
	} {
		m := parsed(t, c.message)
		if got := c.framing.Frame(nil, m, c.transaction); !bytes.Equal(got, octets(t, c.request)) {
			t.Errorf("%s: sent as % X, want %s", c.message, got, c.request)
		}
		if c.answer == "" {
			continue
		}
		answer := octets(t, c.answer)
		for cut := range answer {
			if _, n, err := c.framing.Split(answer[:cut], c.transaction); n > 0 && cut < n || err != nil && !errors.Is(err, ErrOther) {
				t.Errorf("%s: %d bytes of the answer are taken for whole: %v", c.message, cut, err)
			}
		}
		pdu, n, err := c.framing.Split(append(answer, 0xEE), c.transaction)
		if err != nil || n != len(answer) {
			t.Fatalf("%s: %d of %d bytes, %v", c.message, n, len(answer), err)
		}
		if got, err := m.Answer(pdu); err != nil || got != c.want {
			t.Errorf("%s: %q, %v; want %q", c.message, got, err, c.want)
		}
	}
	pdu, _, err := Framing{Unit: 1}.Split(octets(t, "01 83 02 C0F1"), 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := parsed(t, "holding 0").Answer(pdu); err == nil || err.Error() != "exception 2 illegal data address" {
		t.Errorf("an exception reads %v", err)
	}
}

// Every type is written and read back, in both orders of words.
func TestTypes(t *testing.T) {
	for _, c := range []struct{ write, request, read, want string }{
		{"holding 17 uint16 0.001 = 2.5", "06 0011 09C4", "holding 17 uint16 0.001", "2.5"},
		{"holding 17 uint16 0.01 = 0.29", "06 0011 001D", "holding 17 uint16 0.01", "0.29"},  // 0.29/0.01 lies below 29
		{"holding 17 uint16 0.01 = 2.999", "06 0011 012B", "holding 17 uint16 0.01", "2.99"}, // never rounded up
		{"holding 17 int16 0.1 = -12.3", "06 0011 FF85", "holding 17 int16 0.1", "-12.3"},
		{"holding 2 uint32 = 305419896", "10 0002 0002 04 1234 5678", "holding 2 uint32", "305419896"},
		{"holding 2 uint32 low-first = 305419896", "10 0002 0002 04 5678 1234", "holding 2 uint32 low-first", "305419896"},
		{"holding 2 int32 0.001 = -1.5", "10 0002 0002 04 FFFF FA24", "holding 2 int32 0.001", "-1.5"},
		{"holding 2 float32 = 3.25", "10 0002 0002 04 4050 0000", "holding 2 float32", "3.25"},
		{"holding 2 float32 low-first = 3.25", "10 0002 0002 04 0000 4050", "holding 2 float32 low-first", "3.25"},
		{"holding 2 float32 = 0.1", "10 0002 0002 04 3DCC CCCC", "holding 2 float32", "0.09999999404"}, // the nearest would be above
	} {
		w := parsed(t, c.write)
		if !w.Writes() || !bytes.Equal(w.request, octets(t, c.request)) {
			t.Errorf("%s: % X, want %s", c.write, w.request, c.request)
		}
		data := octets(t, c.request)[3:]
		if len(data) > 2 {
			data = data[3:]
		}
		r := parsed(t, c.read)
		if got, err := r.Answer(append([]byte{3, byte(len(data))}, data...)); err != nil || got != c.want || r.Writes() {
			t.Errorf("%s: %q, %v; want %q", c.read, got, err, c.want)
		}
	}
	for text, c := range map[string]struct{ data, want string }{
		"holding 0 text 3":     {"4142 2043 0A00", "AB C"},
		"holding 0 float32":    {"7FC0 0000", "9.91E37"},
		"holding 0 float32 2":  {"FF80 0000", "-9.9E+37"},
		"holding 0 int16 1e-6": {"0001", "1E-06"},
	} {
		data := octets(t, c.data)
		if got, err := parsed(t, text).Answer(append([]byte{3, byte(len(data))}, data...)); err != nil || got != c.want {
			t.Errorf("%s: %q, %v; want %q", text, got, err, c.want)
		}
	}
}

func TestMistakes(t *testing.T) {
	for text, want := range map[string]string{
		"": "names no table", "MEAS:VOLT?": "names no table", "register 5": "there are coil, discrete, holding and input", "holding 65536": "not an address", "holding -1": "not an address",
		"holding 65535 uint32": "beyond 65535", "holding 1 float64": "neither a type", "holding 1 uint16 0": "neither a type", "holding 1 uint16 2 3": "neither a type", "holding 1 low-first": "neither a type",
		"coil 1 uint16": "no meaning", "holding 1 text": "1 to 125 registers", "holding 1 text 126": "1 to 125 registers", "holding 0; holding 200": "spans 201 registers",
		"holding 1; input 2": "two tables", "input 1 = 2": "cannot be written", "discrete 1 = 1": "cannot be written", "coil 1 = 2": "0 or 1", "holding 1 = on": "cannot be written",
		"holding 1; holding 2 = 3": "cannot be written", "holding 1 text 2 = 3": "cannot be written", "holding 1 = 70000": "does not fit uint16", "holding 1 = -1": "does not fit uint16",
		"holding 1 float32 = 1e39": "too large", "holding 1 = NaN": "does not fit",
	} {
		if _, err := Parse(text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v; want %q", text, err, want)
		}
	}
}

// What is not the answer to the question is refused, and says why.
func TestOtherAnswers(t *testing.T) {
	rtu, tcp := Framing{Unit: 1}, Framing{TCP: true, Unit: 1}
	m := parsed(t, "holding 0")
	good := rtu.Frame(nil, &Message{request: octets(t, "03 02 0001")}, 0)
	for name, c := range map[string]struct {
		f    Framing
		b    []byte
		want string
	}{
		"checksum":          {rtu, append(append([]byte{}, good[:len(good)-1]...), good[len(good)-1]^1), "wrong checksum"},
		"unit":              {rtu, Framing{Unit: 2}.Frame(nil, &Message{request: octets(t, "03 02 0001")}, 0), "of unit 2"},
		"function":          {rtu, octets(t, "01 63 02 0001 0000"), "function 99"},
		"another function":  {rtu, rtu.Frame(nil, &Message{request: octets(t, "04 02 0001")}, 0), "something else"},
		"length":            {rtu, rtu.Frame(nil, &Message{request: octets(t, "03 04 0001 0002")}, 0), "another length"},
		"unit over TCP":     {tcp, octets(t, "0001 0000 0005 02 03 02 0001"), "of unit 2"},
		"no Modbus TCP":     {tcp, []byte("HTTP/1.1 400"), "no frame"},
		"too long over TCP": {tcp, octets(t, "0001 0000 00FF 01"), "no frame"},
		"count over TCP":    {tcp, octets(t, "0001 0000 0004 01 03 02 00"), "another length"},
	} {
		pdu, _, err := c.f.Split(c.b, 1)
		if err == nil {
			_, err = m.Answer(pdu)
		}
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v; want %q", name, err, c.want)
		}
	}
	if _, err := parsed(t, "holding 18 = 0").Answer(octets(t, "06 0012 0001")); err == nil {
		t.Error("another value was taken for acknowledged")
	}
	if _, n, err := tcp.Split(octets(t, "0000 0000 0005 01 03 02 0001"), 1); !errors.Is(err, ErrOther) || n != 11 {
		t.Errorf("an earlier transaction: %d, %v", n, err)
	}
}

// FuzzSplit: no bytes bring the reader down, or make it take more than there is; what is sent in one framing is taken apart again, and an answer
// with one bit turned is never read over RTU.
func FuzzSplit(f *testing.F) {
	f.Add([]byte("\x11\x03\x06\x02\x2b\x00\x00\x00\x64\xc8\xba"), true, uint16(1), "holding 107; holding 109 int16 0.1")
	f.Add([]byte("\x00\x01\x00\x00\x00\x05\x01\x03\x02\x00\x01"), false, uint16(1), "holding 0 float32 low-first")
	f.Add([]byte{}, true, uint16(9), "coil 3; coil 11")
	f.Fuzz(func(t *testing.T, b []byte, rtu bool, turned uint16, text string) {
		framing := Framing{TCP: !rtu, Unit: 1}
		pdu, n, err := framing.Split(b, 1)
		if n > len(b) || len(pdu) > 255 || err == nil && n > 0 && len(pdu) == 0 {
			t.Fatalf("%d of %d bytes, %d, %v", n, len(b), len(pdu), err)
		}
		m, err := Parse(text)
		if err != nil {
			return
		}
		if _, err := m.Answer(pdu); err == nil && len(pdu) == 0 {
			t.Error("nothing was an answer")
		}
		if m.Writes() {
			return
		}
		bytes := 2 * m.count
		if m.items[0].kind == "" {
			bytes = (m.count + 7) / 8
		}
		answer := make([]byte, 2+bytes)
		answer[0], answer[1] = m.request[0], byte(bytes)
		copy(answer[2:], b)
		frame := framing.Frame(nil, &Message{request: answer}, 1)
		if pdu, n, err = framing.Split(frame, 1); err != nil || n != len(frame) {
			t.Fatalf("its own frame: %d of %d, %v", n, len(frame), err)
		}
		if got, err := m.Answer(pdu); err != nil || strings.Contains(got, "\n") || strings.Count(got, ";") < len(m.items)-1 {
			t.Errorf("%s: %q, %v", text, got, err)
		}
		if rtu {
			i := int(turned) % (8 * len(frame))
			frame[i/8] ^= 1 << (i % 8)
			if pdu, n, err := framing.Split(frame, 1); err == nil && n == len(frame) {
				t.Errorf("bit %d turned, and it is read as % X", i, pdu)
			}
		}
	})
}
