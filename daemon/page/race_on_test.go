//go:build race

package page_test

// raceDetector says that everything is many times as slow as in the field.
const raceDetector = true
