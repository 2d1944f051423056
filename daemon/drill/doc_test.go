// Package drill holds no code of its own, only tests: the fire drill, in which the
// alarm board keeps watch over the simulated supply and cell through scripted mishaps and through
// hundreds of quiet nights, in virtual time. It stands here because only the daemon may introduce
// alerts to drivers.
//
// The table of results: go test -v ./daemon/drill. The full soak: go test ./daemon/drill -nights=500 -seeds=20.
package drill
