package configs

import "time"

// What holds when the file does not say. The starting values of the alarms'
// limits and delays stand in package alerts, and those of the SCPI dialect in drivers/scpi.
const (
	defaultListen = "127.0.0.1:9648"

	defaultBaud     = 9600
	defaultDataBits = 8
	defaultParity   = "none"
	defaultStopBits = "1"

	defaultPoll = time.Second
	defaultSync = 10 * time.Second
	shortestGap = 10 * time.Second // gap_after is the longer of this and gapPolls polls
	gapPolls    = 5

	defaultRepeat      = 15 * time.Minute // an unanswered alarm is told again
	defaultTimeout     = time.Minute      // of one delivery
	defaultBeat        = time.Minute
	defaultPushEvery   = 10 * time.Second
	defaultPushBatch   = 5000 // lines; line-protocol servers advise about 5000
	defaultPushTimeout = 30 * time.Second
	defaultProof       = 30 * 24 * time.Hour // a route that proved delivery this lately is trusted

	// The accuracy of a supply whose data sheet is not quoted: what bench supplies
	// commonly state or worse. Common practice, no source.
	assumedGain          = 0.005
	assumedCurrentOffset = 0.010 // A
	assumedCurrentStep   = 0.001 // A
	assumedVoltageOffset = 0.020 // V
	assumedVoltageStep   = 0.010 // V
	assumedTimebase      = 100e-6
)
