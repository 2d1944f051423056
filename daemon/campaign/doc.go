// Package campaign holds only a test: it kills whole nightcell processes at random
// moments of a run, over and over, while line and disk go wrong too, and then lets
// the product's own check say whether the books are still true.
//
//	go test ./daemon/campaign -run Campaign -campaign=300 -seed=7 -v
package campaign
