package main

import (
	"context"
	"strings"

	"golang.org/x/sys/windows/svc"
	"golang.org/x/sys/windows/svc/eventlog"
)

const serviceName = "nightcell"

// asService answers the service manager where it has started this program: the context ends when it wants the service
// stopped, and what is logged goes into the event log, because a service has nowhere to print. The function that comes
// back tells it the exit code and waits until it knows.
func asService(ctx context.Context, s *shell) (context.Context, func(code int)) {
	if is, err := svc.IsWindowsService(); err != nil || !is {
		return ctx, func(int) {}
	}
	if events, err := eventlog.Open(serviceName); err == nil {
		s.err = eventWriter{events}
	}
	ctx, stop := context.WithCancel(ctx)
	m := manager{stop: stop, code: make(chan uint32, 1)}
	told := make(chan struct{})
	go func() {
		defer close(told)
		if err := svc.Run(serviceName, m); err != nil {
			stop() // nobody could stop it otherwise
		}
	}()
	return ctx, func(code int) {
		m.code <- uint32(code)
		<-told // ends with Execute, which the code ends
	}
}

// manager is what the service manager speaks to.
type manager struct {
	stop context.CancelFunc
	code chan uint32
}

// Execute implements svc.Handler.
func (m manager) Execute(_ []string, requests <-chan svc.ChangeRequest, status chan<- svc.Status) (bool, uint32) {
	const accepts = svc.AcceptStop | svc.AcceptShutdown
	status <- svc.Status{State: svc.Running, Accepts: accepts}
	for {
		select { // ends when the command has ended
		case code := <-m.code:
			return true, code
		case r := <-requests:
			switch r.Cmd {
			case svc.Interrogate:
				status <- r.CurrentStatus
			case svc.Stop, svc.Shutdown:
				status <- svc.Status{State: svc.StopPending, WaitHint: 120_000} // ms; verifying an output off may take as long
				m.stop()
			}
		}
	}
}

// eventWriter writes each line as an event of its level.
type eventWriter struct{ to *eventlog.Log }

func (e eventWriter) Write(line []byte) (int, error) {
	text, write := strings.TrimSpace(string(line)), e.to.Info
	switch {
	case strings.Contains(text, " level=ERROR "), strings.HasPrefix(text, "nightcell: "):
		write = e.to.Error
	case strings.Contains(text, " level=WARN "):
		write = e.to.Warning
	}
	if err := write(1, text); err != nil {
		return 0, err
	}
	return len(line), nil
}
