//go:build !linux

package line

import "errors"

// Only Linux has a driver that makes such devices.
func isUSBTMC(string) bool { return false }

const leastPatience = 0

func openUSBTMC(Settings) (port, error) { return nil, errors.ErrUnsupported }
