package drivers

import "testing"

// TestExpect: an identity is held against how it begins in the configuration, and a stranger is told with both and the cure.
func TestExpect(t *testing.T) {
	id := ParseIdentity("EXAMPLE,PS-30-5,SIM-0001,1.0")
	for configured, refused := range map[string]bool{"": false, "EXAMPLE,PS-30-5": false, id.String(): false, "EXAMPLE,PS-30-5,SIM-0002": true} {
		err := id.Expect(configured)
		if refused != (err != nil) || refused && err.Error() != `a different instrument answers: "EXAMPLE,PS-30-5,SIM-0001,1.0"; the configuration expects identity = "EXAMPLE,PS-30-5,SIM-0002"; connect the right one or correct identity there` {
			t.Errorf("%q: %v", configured, err)
		}
	}
}
