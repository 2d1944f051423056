// Package campaign holds only tests: whole nightcell processes on a pseudo-terminal
// are killed, again and again, while line, disk and clocks go wrong too, and then the
// product's own check says whether the books are still true.
//
//	go test ./daemon/campaign -v                                          a small one, a quarter of a minute
//	go test ./daemon/campaign -run TestCampaign -campaign=300 -seed=7 -v  the whole, about five minutes
//
// The campaign (TestCampaign) goes through one charge at 300 times the speed of life.
// At random moments, drawn from the seed, the process is killed with SIGKILL; before
// some kills its disk, a small tmpfs where that may be mounted, is filled to the last
// byte and freed again, or stays full over the kill. About half of the processes
// begin in a time namespace with their monotonic clock elsewhere. Meanwhile the scenario
// garbles answers, drops characters, echoes, falls silent, answers with special values,
// and pulls the cable. It asks
//
//   - after each kill: the log begins with every byte it held after the kill before,
//     save a torn last line; every reading that the process showed is in it, save those that
//     it said were waiting for the disk; the truth lay in the range that was shown;
//   - at the end: nightcell verify says sound with exit code 0, and a replay gives the same
//     totals; time stamps increase, each step is the time between the stamps, no reading is there twice;
//     the true charge lies in the stated range and, since the output was on all the
//     while, within k = 2 of the counted charge; the output is off.
//
// The moments of the faults are reproducible by seed, up to what the machine's own
// scheduling makes of them. A gap of a few seconds of a restarting process is one of half
// an hour at this speed, so the gaps are much worse than life's.
//
// Beside it: notices and alarm states through kills (TestNoticeOutlivesKills), clocks
// (TestTimeNamespaces, TestFaketime), and what each setting of sync puts at risk in a
// power cut (TestWhatASyncSettingRisks). Tests that need a tool of the system are skipped
// where it is missing, unless NIGHTCELL_REQUIRE_REAL=1.
package campaign
