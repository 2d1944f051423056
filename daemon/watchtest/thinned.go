package watchtest

// Thinned is how often to repeat what has nothing more to show the race detector by being repeated: n times, or a tenth of it under that.
func Thinned(n int) int {
	if Raced {
		return max(1, n/10)
	}
	return n
}
