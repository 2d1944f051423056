//go:build !unix

package lock

// There are no symbolic links to fear where making one needs a privilege.
const noFollow = 0

// private takes every folder for the user's own: what a profile holds is, on Windows.
func private(string) error { return nil }
