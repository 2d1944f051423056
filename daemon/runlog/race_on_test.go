//go:build race

package runlog

// stride thins the loops over every byte and every operation where the race
// detector makes them slow; without it they leave out nothing.
const stride = 17
