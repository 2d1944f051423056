//go:build !race

package page_test

// raceDetector says whether everything is many times as slow as in the field.
const raceDetector = false
