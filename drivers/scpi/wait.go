package scpi

import (
	"fmt"
	"strings"
	"time"
)

// Wait is a length of time in a dialect, written "20 ms" or "1.5 s".
type Wait time.Duration

// UnmarshalText reads a number and a unit, with or without a space between.
func (w *Wait) UnmarshalText(b []byte) error {
	d, err := time.ParseDuration(strings.ReplaceAll(strings.TrimSuffix(string(b), "in"), " ", "")) // "1 min" is "1m" to Go
	if err != nil {
		return fmt.Errorf("%q is not a length of time; write a number and ms, s or min, such as \"20 ms\"", b)
	}
	*w = Wait(d)
	return nil
}

// MarshalText writes the form that UnmarshalText reads.
func (w Wait) MarshalText() ([]byte, error) { return []byte(time.Duration(w).String()), nil }

func (w Wait) String() string { return time.Duration(w).String() }
