package modbus

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"time"

	"drywarden/hardware"
	"drywarden/hardware/mono"
	"drywarden/hardware/probe"
)

// Function codes.
const (
	ReadHolding = 3
	ReadInput   = 4
	WriteSingle = 6
	exception   = 0x80
)

// MaxRegisters is how many registers one answer can hold.
const MaxRegisters = 125

// CRC is the checksum of a frame; it is sent low byte first.
func CRC(frame []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, b := range frame {
		crc ^= uint16(b)
		for range 8 {
			if crc&1 != 0 {
				crc = crc>>1 ^ 0xA001
			} else {
				crc >>= 1
			}
		}
	}
	return crc
}

// Port is a serial line. A Read that times out gives 0 bytes and no error.
type Port interface {
	io.ReadWriter
	SetReadTimeout(time.Duration) error
	ResetInputBuffer() error
}

// Master asks devices on one line. Calls are for one goroutine at a time.
//
// An answer does not say which question it belongs to. So after an answer that did not come in time, or came damaged, nothing
// is sent before the line was quiet for as long as Quiet says: a device that answers late answers nobody.
type Master struct {
	Port    Port
	Clock   mono.Clock
	Timeout time.Duration       // until a device answers; the time that request and answer need on the line comes on top; 0: DefaultTimeout
	Baud    int                 // 0: 9600
	Retries int                 // after no or a damaged answer
	Sleep   func(time.Duration) // nil: time.Sleep

	loud bool // the line is not known to be quiet
}

// DefaultTimeout is how long a device may take to answer when nothing else is said.
const DefaultTimeout = 250 * time.Millisecond

const (
	defaultBaud = 9600
	leastQuiet  = time.Second
	mostLoud    = 5 // times Quiet: a line with so much to say is not waited for
)

// Quiet is how long the line must have been quiet after an answer that was lost: a time limit, and a second at least.
func (m *Master) Quiet() time.Duration { return max(m.timeout(), leastQuiet) }

func (m *Master) timeout() time.Duration {
	if m.Timeout <= 0 {
		return DefaultTimeout
	}
	return m.Timeout
}

// characters gives the time that n characters take, 11 bits each as the serial line's specification counts them.
func (m *Master) characters(n int) time.Duration {
	baud := m.Baud
	if baud <= 0 {
		baud = defaultBaud
	}
	return time.Duration(n) * 11 * time.Second / time.Duration(baud)
}

// silence is what parts frames: 3.5 characters, and above 19200 baud a fixed time (Modbus over serial line, specification and
// implementation guide V1.02, section 2.5.1.1).
func (m *Master) silence() time.Duration {
	if m.Baud > 19200 {
		return 1750 * time.Microsecond
	}
	return m.characters(7) / 2
}

// Parity of the characters on a line. The zero value is none.
type Parity uint8

// Parities.
const (
	NoParity Parity = iota
	Even
	Odd
	parityCount
)

var parityNames = [parityCount]string{"none", "even", "odd"}

// String gives the parity as kiln files write it.
func (p Parity) String() string {
	if p < parityCount {
		return parityNames[p]
	}
	return fmt.Sprintf("unknown_%d", p)
}

// UnmarshalText reads the name that String gives.
func (p *Parity) UnmarshalText(b []byte) error {
	for i, name := range parityNames {
		if name == string(b) {
			*p = Parity(i)
			return nil
		}
	}
	return fmt.Errorf("unknown parity %q", b)
}

// Exception is what a device answers when it cannot do what was asked.
type Exception uint8

var exceptions = map[Exception]string{1: "function unknown", 2: "no such register", 3: "value refused", 4: "device failure", 5: "accepted, takes long", 6: "busy"}

// Error says what the code means.
func (e Exception) Error() string {
	if s, ok := exceptions[e]; ok {
		return fmt.Sprintf("exception %d: %s", uint8(e), s)
	}
	return fmt.Sprintf("exception %d", uint8(e))
}

// Read reads n registers, 1 to MaxRegisters, from start with function ReadHolding or ReadInput. A lost
// answer costs the time limit and the wait until the line is quiet; there are Retries+1 of them at most.
func (m *Master) Read(device, function byte, start uint16, n int) ([]uint16, error) {
	if device == 0 || device > 247 || function != ReadHolding && function != ReadInput || n < 1 || n > MaxRegisters {
		return nil, fmt.Errorf("read %d registers of modbus device %d with function %d: out of range", n, device, function)
	}
	request := frame(device, function, byte(start>>8), byte(start), 0, byte(n))
	payload, err := m.ask(request, 3+2*n+2, func(head []byte) error {
		if head[2] != byte(2*n) {
			return fmt.Errorf("%d bytes, expected %d", head[2], 2*n)
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("read modbus device %d, registers 0x%04x+%d: %w", device, start, n, err)
	}
	values := make([]uint16, n)
	for i := range values {
		values[i] = uint16(payload[3+2*i])<<8 | uint16(payload[4+2*i])
	}
	return values, nil
}

// Write writes one register. It is not tried again: the device may have taken it.
func (m *Master) Write(device byte, at, value uint16) error {
	if device == 0 || device > 247 {
		return fmt.Errorf("write modbus device %d: out of range", device)
	}
	retries := m.Retries
	m.Retries = 0
	defer func() { m.Retries = retries }()
	request := frame(device, WriteSingle, byte(at>>8), byte(at), byte(value>>8), byte(value))
	answer, err := m.ask(request, len(request), func([]byte) error { return nil })
	if err == nil && !bytes.Equal(answer, request) {
		err = probe.Faultf(hardware.Checksum, "other_answer", "% x: expected the request again", answer)
	}
	if err != nil {
		return fmt.Errorf("write modbus device %d, register 0x%04x: %w", device, at, err)
	}
	return nil
}

func frame(b ...byte) []byte {
	crc := CRC(b)
	return append(b, byte(crc), byte(crc>>8))
}

func (m *Master) ask(request []byte, length int, check func(head []byte) error) ([]byte, error) {
	for try := 0; ; try++ {
		answer, err := m.once(request, length, check)
		var e Exception
		if err == nil || try >= m.Retries || m.loud || errors.As(err, &e) && e <= 3 {
			return answer, err
		}
	}
}

// once sends a request and takes the answer. When that is lost, it waits until the line is quiet.
func (m *Master) once(request []byte, length int, check func(head []byte) error) ([]byte, error) {
	if m.loud {
		if late, err := m.hush(); err != nil {
			return nil, err
		} else if m.loud {
			return nil, probe.Faultf(hardware.NoAnswer, "babble", "% x and more: something sends without being asked", late)
		}
	}
	probe.Wait(m.Sleep, m.silence())
	answer, err := m.exchange(request, length)
	if err == nil {
		answer, err = judge(request, answer, length, check, m.timeout())
	}
	var e Exception
	if err == nil || errors.As(err, &e) {
		return answer, err
	}
	m.loud = true
	if late, failed := m.hush(); failed == nil && len(late) > 0 && probe.SignOf(err) == "silent" {
		return nil, probe.Faultf(hardware.NoAnswer, "late", "%w, but % x later: it needs a longer time limit", err, late)
	}
	return nil, err
}

// hush reads what still comes until the line has been quiet for long enough, which is remembered, and gives the beginning of
// it. A line that does not become quiet stays loud.
func (m *Master) hush() (late []byte, err error) {
	var buffer [256]byte
	for end := m.Clock.Now().Add(mostLoud * m.Quiet()); m.Clock.Now() < end; {
		if err := m.Port.SetReadTimeout(m.Quiet()); err != nil {
			return late, probe.Faultf(hardware.NoAnswer, "port", "set the time limit: %w", err)
		}
		n, err := m.Port.Read(buffer[:])
		switch {
		case n < 0 || n > len(buffer):
			return late, probe.Faultf(hardware.NoAnswer, "port", "read: %d bytes", n)
		case err != nil && !errors.Is(err, io.EOF):
			return late, probe.Faultf(hardware.NoAnswer, "port", "read: %w", err)
		case n == 0:
			m.loud = false
			return late, nil
		}
		late = append(late, buffer[:min(n, 32-min(32, len(late)))]...)
	}
	return late, nil
}

// exchange sends a request and takes what comes until the answer is whole or the time is up.
func (m *Master) exchange(request []byte, length int) ([]byte, error) {
	if err := m.Port.ResetInputBuffer(); err != nil {
		return nil, probe.Faultf(hardware.NoAnswer, "port", "empty the line: %w", err)
	}
	if n, err := m.Port.Write(request); err != nil || n != len(request) {
		return nil, probe.Faultf(hardware.NoAnswer, "port", "send: %d of %d bytes: %w", n, len(request), err)
	}
	end := m.Clock.Now().Add(m.timeout() + m.characters(len(request)+length))
	answer := make([]byte, 0, length)
	want := length
	for len(answer) < want {
		left := end.Sub(m.Clock.Now())
		if left <= 0 {
			break
		}
		if err := m.Port.SetReadTimeout(left); err != nil {
			return nil, probe.Faultf(hardware.NoAnswer, "port", "set the time limit: %w", err)
		}
		n, err := m.Port.Read(answer[len(answer):want])
		if n < 0 || n > want-len(answer) {
			return nil, probe.Faultf(hardware.NoAnswer, "port", "read: %d bytes", n)
		}
		answer = answer[:len(answer)+n]
		if err != nil && !errors.Is(err, io.EOF) {
			return nil, probe.Faultf(hardware.NoAnswer, "port", "read: %w", err)
		}
		if n == 0 {
			break // the time is up, or the line is gone
		}
		if len(answer) >= 2 && answer[1] == request[1]|exception {
			want = min(length, 5)
		}
	}
	return answer, nil
}

func judge(request, answer []byte, want int, check func(head []byte) error, timeout time.Duration) ([]byte, error) {
	if len(answer) >= 2 && answer[1] == request[1]|exception {
		want = min(want, 5)
	}
	echo := request[1] != WriteSingle && len(answer) >= 3 && bytes.HasPrefix(request, answer[:min(len(answer), len(request))])
	switch {
	case len(answer) == 0:
		return nil, probe.Faultf(hardware.NoAnswer, "silent", "no answer in %v", timeout)
	case echo:
		return nil, probe.Faultf(hardware.NoAnswer, "echo", "% x: our own request came back: the adapter hears itself", answer)
	case len(answer) < want:
		return nil, probe.Faultf(hardware.Checksum, "short", "% x: %d bytes in %v, expected %d", answer, len(answer), timeout, want)
	case CRC(answer[:want-2]) != uint16(answer[want-2])|uint16(answer[want-1])<<8:
		return nil, probe.Faultf(hardware.Checksum, "checksum", "% x: checksum is wrong", answer)
	case answer[0] != request[0]:
		return nil, probe.Faultf(hardware.Checksum, "other_device", "% x: device %d answered", answer, answer[0])
	case answer[1] == request[1]|exception:
		return nil, probe.Faultf(hardware.NoAnswer, fmt.Sprintf("exception_%d", answer[2]), "%w", Exception(answer[2]))
	case answer[1] != request[1]:
		return nil, probe.Faultf(hardware.Checksum, "other_answer", "% x: function %d answered", answer, answer[1])
	}
	if err := check(answer[:3]); err != nil {
		return nil, probe.Faultf(hardware.Checksum, "other_answer", "% x: %w", answer, err)
	}
	return answer, nil
}
