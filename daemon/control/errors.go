package control

import (
	"errors"
	"fmt"
	"net/http"
)

// Problem is an error that keeps its meaning across the socket.
type Problem struct {
	Status int    `json:"status"` // as in HTTP
	Text   string `json:"text"`
	cause  error  // on this side of the socket alone
}

func (p *Problem) Error() string { return p.Text }

// Unwrap returns what was wrapped by %w; nil on the far side of the socket.
func (p *Problem) Unwrap() error { return errors.Unwrap(p.cause) }

// Unknown is the error for a cell, condition or gap that does not exist. Like Refuse and
// BadRequest it takes what fmt.Errorf takes, and calls it itself, so that go vet checks the format.
func Unknown(format string, args ...any) error {
	return problem(http.StatusNotFound, fmt.Errorf(format, args...))
}

// Refuse is the error for an order that is understood and not carried out, such as
// an output that may not be switched.
func Refuse(format string, args ...any) error {
	return problem(http.StatusConflict, fmt.Errorf(format, args...))
}

// BadRequest is the error for an order that cannot be understood.
func BadRequest(format string, args ...any) error {
	return problem(http.StatusBadRequest, fmt.Errorf(format, args...))
}

func problem(status int, cause error) error { return &Problem{status, cause.Error(), cause} }

// Contradiction is the error for an entry that contradicts the books. It is taken when it says that it is certain.
func Contradiction(format string, args ...any) error {
	return problem(http.StatusUnprocessableEntity, fmt.Errorf(format, args...))
}

// IsContradiction reports whether err says that an entry contradicts the books.
func IsContradiction(err error) bool {
	var p *Problem
	return errors.As(err, &p) && p.Status == http.StatusUnprocessableEntity
}

// IsMistake reports whether err says that the order itself was wrong, rather than refused or failed.
func IsMistake(err error) bool {
	var p *Problem
	return errors.As(err, &p) && (p.Status == http.StatusNotFound || p.Status == http.StatusBadRequest)
}

// StatusOf is the HTTP status for an error.
func StatusOf(err error) int {
	var p *Problem
	if errors.As(err, &p) {
		return p.Status
	}
	return http.StatusInternalServerError
}
