package line

import (
	"fmt"
	"strings"
	"time"
)

const (
	typicalAnswer = 128                    // characters whose time on the wire is allowed for
	tcpScheme     = "tcp://"               // address of a raw socket
	writePatience = 500 * time.Millisecond // for the system to take bytes, beyond their time on the wire
)

// Settings say where the line leads and how its characters are made. Zero fields
// have the defaults named beside them.
type Settings struct {
	Address         string        // "/dev/…", on Windows "COM3", or "tcp://host:port"
	Baud            int           // bit/s; 9600
	DataBits        int           // 8
	Parity          string        // none, odd, even, mark or space; none
	StopBits        string        // 1, 1.5 or 2; 1
	Terminator      string        // ends what is sent; "\n"
	ReplyTerminator string        // ends an answer, a carriage return before it is dropped; "\n"
	Bare            bool          // nothing ends what is sent; Terminator is not used
	Silence         time.Duration // if not 0, so much silence ends an answer, and ReplyTerminator is not used
	Echo            bool          // the line returns everything that is sent, and it is to be taken out
	LockDir         string        // lock files of TCP lines; a folder in the user's home, see lock.Folder
	DataDir         string        // takes the lock files instead where the user has no home
	ConnectLimit    time.Duration // TCP; 5 s
	CloseLimit      time.Duration // 2 s
}

func (s Settings) withDefaults() Settings {
	def := func(p *string, v string) {
		if *p == "" {
			*p = v
		}
	}
	def(&s.Parity, "none")
	def(&s.StopBits, "1")
	if !s.Bare {
		def(&s.Terminator, "\n")
	}
	def(&s.ReplyTerminator, "\n")
	if s.Baud == 0 {
		s.Baud = 9600
	}
	if s.DataBits == 0 {
		s.DataBits = 8
	}
	if s.ConnectLimit == 0 {
		s.ConnectLimit = 5 * time.Second
	}
	if s.CloseLimit == 0 {
		s.CloseLimit = 2 * time.Second
	}
	return s
}

// check reports the first setting that cannot be used.
func (s Settings) check() error {
	switch {
	case s.Address == "":
		return fmt.Errorf("no port is named; give the stable name under /dev/serial/by-id that nightcell ports shows, or tcp://host:port")
	case strings.Contains(s.Address, "://") && !s.tcp():
		return fmt.Errorf("this kind of address is not known; use a device such as /dev/serial/by-id/…, or tcp://host:port")
	case s.Baud < 50 || s.Baud > 4_000_000:
		return fmt.Errorf("%d baud is not a line rate; take the one the supply's menu shows, such as 9600", s.Baud)
	case s.DataBits < 5 || s.DataBits > 8:
		return fmt.Errorf("%d data bits are impossible; use 5 to 8, usually 8", s.DataBits)
	}
	if _, ok := parities[s.Parity]; !ok {
		return fmt.Errorf("parity %q is not known; use none, odd, even, mark or space", s.Parity)
	}
	if _, ok := stopBits[s.StopBits]; !ok {
		return fmt.Errorf("%q stop bits are impossible; use 1, 1.5 or 2", s.StopBits)
	}
	return nil
}

func (s Settings) tcp() bool { return strings.HasPrefix(s.Address, tcpScheme) }

// bits is the length of one character on the wire: start, data, parity, stop.
func (s Settings) bits() float64 {
	n := 1 + float64(s.DataBits) + 1
	if s.Parity != "none" {
		n++
	}
	switch s.StopBits {
	case "1.5":
		n += 0.5
	case "2":
		n++
	}
	return n
}

// Duration is the time that n characters take on the wire; zero over TCP, where nobody paces them.
func (s Settings) Duration(n int) time.Duration {
	if s.tcp() {
		return 0
	}
	return time.Duration(float64(n) * s.bits() / float64(s.Baud) * float64(time.Second))
}

// writeLimit is how long the system may take to accept n characters.
func (s Settings) writeLimit(n int) time.Duration { return s.Duration(n) + writePatience }
