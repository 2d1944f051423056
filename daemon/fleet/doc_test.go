// Package fleet holds only tests: whole nightcell processes beside the real servers
// of those who watch them — Prometheus, Alertmanager, InfluxDB, VictoriaMetrics — with
// the files that are shipped for them, over kills, outages and restarts of either
// side; twenty benches; one daemon with two hundred cells; and a watch beside a script of the same polls.
//
// A test whose server is not installed is skipped, unless NIGHTCELL_REQUIRE_REAL=1.
// The heavy ones run when asked for:
//
//	go test ./daemon/fleet -run TestTwentyBenches -benches -v
//	go test ./daemon/fleet -run TestTwoHundredCells -load -v
//	go test ./daemon/fleet -run TestBesideAScript -load -v
package fleet
