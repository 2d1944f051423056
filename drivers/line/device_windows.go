package line

import "time"

// device does nothing on Windows, where a serial port can be opened only once and writes have limits.
type device struct{}

func openDevice(string) (*device, error)        { return &device{}, nil }
func (d *device) adopt() error                  { return nil }
func (d *device) idle() bool                    { return false }
func (d *device) awaitRoom(time.Duration) error { return nil }
func (d *device) awaitSent(time.Duration) bool  { return true }
func (d *device) unstick()                      {}
func (d *device) close() error                  { return nil }
func groupOf(string) string                     { return "" }
