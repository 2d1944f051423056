package modbus

import (
	"encoding/binary"
	"errors"
	"fmt"
)

// Framing is how a message travels: as RTU on a serial line, or with the header of Modbus TCP.
type Framing struct {
	TCP  bool
	Unit byte // the device's address on the line
}

// ErrOther is told of a whole frame that answers an earlier transaction.
var ErrOther = errors.New("an answer to an earlier question")

// OtherUnit is told of a frame that another unit has sent; over RTU it is whole, and can be passed over.
type OtherUnit byte

func (u OtherUnit) Error() string { return fmt.Sprintf("a frame of unit %d", u) }

const (
	headerLength = 7 // of Modbus TCP, the unit included
	longestPDU   = 253
)

// Frame appends the frame of a message to dst. transaction is used by Modbus TCP alone.
func (f Framing) Frame(dst []byte, m *Message, transaction uint16) []byte {
	if f.TCP {
		for _, w := range []uint16{transaction, 0, uint16(1 + len(m.request))} {
			dst = binary.BigEndian.AppendUint16(dst, w)
		}
		return append(append(dst, f.Unit), m.request...)
	}
	from := len(dst)
	dst = append(append(dst, f.Unit), m.request...)
	return binary.LittleEndian.AppendUint16(dst, crc(dst[from:]))
}

// Split takes the first answer off what came: its PDU and the length of its frame, 0 while it is not whole. After an error but ErrOther and OtherUnit nothing in b can be used.
func (f Framing) Split(b []byte, transaction uint16) (pdu []byte, n int, err error) {
	if f.TCP {
		return f.splitTCP(b, transaction)
	}
	if len(b) < 3 {
		return nil, 0, nil
	}
	switch function := b[1]; {
	case function&exception != 0:
		n = 5
	case function >= readCoils && function <= readInput:
		n = 5 + int(b[2])
	case function == writeCoil || function == writeRegister || function == writeRegisters:
		n = 8
	default:
		return nil, 0, fmt.Errorf("a frame of function %d", function)
	}
	switch {
	case len(b) < n:
		return nil, 0, nil
	case binary.LittleEndian.Uint16(b[n-2:]) != crc(b[:n-2]):
		return nil, 0, errors.New("a frame with a wrong checksum")
	case b[0] != f.Unit:
		return nil, n, OtherUnit(b[0])
	}
	return b[1 : n-2], n, nil
}

func (f Framing) splitTCP(b []byte, transaction uint16) (pdu []byte, n int, err error) {
	if len(b) < headerLength {
		return nil, 0, nil
	}
	length := int(binary.BigEndian.Uint16(b[4:]))
	if binary.BigEndian.Uint16(b[2:]) != 0 || length < 3 || length > 1+longestPDU {
		return nil, 0, errors.New("no frame of Modbus TCP")
	}
	if n = headerLength - 1 + length; len(b) < n {
		return nil, 0, nil
	}
	switch {
	case binary.BigEndian.Uint16(b) != transaction:
		return nil, n, ErrOther
	case b[6] != f.Unit:
		return nil, 0, OtherUnit(b[6])
	}
	return b[headerLength:n], n, nil
}

// crc is the checksum of RTU: the serial line guide V1.02, 6.2.2; polynomial A001, begun with FFFF.
func crc(b []byte) uint16 {
	sum := uint16(0xFFFF)
	for _, c := range b {
		sum ^= uint16(c)
		for range 8 {
			low := sum & 1
			if sum >>= 1; low == 1 {
				sum ^= 0xA001
			}
		}
	}
	return sum
}
