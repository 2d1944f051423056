package line

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"syscall"

	"go.bug.st/serial"
)

var parities = map[string]serial.Parity{
	"none": serial.NoParity, "odd": serial.OddParity, "even": serial.EvenParity,
	"mark": serial.MarkParity, "space": serial.SpaceParity,
}

var stopBits = map[string]serial.StopBits{
	"1": serial.OneStopBit, "1.5": serial.OnePointFiveStopBits, "2": serial.TwoStopBits,
}

func openSerial(s Settings) (port, error) {
	d, err := openDevice(s.Address)
	if err != nil {
		return nil, err
	}
	// The library's InitialStatusBits stay nil: pseudo-terminals have no modem lines to set.
	p, err := serial.Open(s.Address, &serial.Mode{
		BaudRate: s.Baud, DataBits: s.DataBits, Parity: parities[s.Parity], StopBits: stopBits[s.StopBits],
	})
	if err != nil {
		_ = d.close() // the open error is the one that tells
		return nil, explain(s, err)
	}
	if err := d.adopt(p); err != nil {
		return nil, errors.Join(err, d.close())
	}
	return d, nil
}

// explain turns an open error into a sentence with the way out.
func explain(s Settings, err error) error {
	var pe *serial.PortError
	code := serial.PortErrorCode(-1)
	if errors.As(err, &pe) {
		code = pe.Code()
	}
	switch {
	case errors.Is(err, fs.ErrNotExist) || code == serial.PortNotFound:
		return fmt.Errorf("there is no such port; plug the adapter in, and take its stable name from nightcell ports: %w", err)
	case errors.Is(err, fs.ErrPermission) || code == serial.PermissionDenied:
		return fmt.Errorf("permission denied; %s: %w", permissionHint(s.Address), err)
	case errors.Is(err, syscall.EBUSY) || code == serial.PortBusy:
		return fmt.Errorf("%w: %w", heldError(s.Address), err)
	case errors.Is(err, syscall.ENXIO) || errors.Is(err, syscall.EIO):
		return fmt.Errorf("the port is there but nothing is behind it; plug the adapter in again: %w", err)
	case code == serial.InvalidSpeed || code == serial.InvalidParity || code == serial.InvalidDataBits || code == serial.InvalidStopBits:
		return fmt.Errorf("the adapter cannot do %d baud, %d data bits, parity %s, %s stop bits: %w", s.Baud, s.DataBits, s.Parity, s.StopBits, err)
	case code == serial.InvalidSerialPort:
		return fmt.Errorf("not a serial port; nightcell ports lists those there are: %w", err)
	}
	return err
}

// permissionHint says whose permission is missing.
func permissionHint(path string) string {
	group := groupOf(path)
	if group == "" {
		return "ask the system's keeper for access to the port"
	}
	return fmt.Sprintf("the port belongs to group %q: sudo usermod -aG %s %s, then log in again", group, group, os.Getenv("USER"))
}
