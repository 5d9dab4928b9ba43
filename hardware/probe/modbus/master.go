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
type Master struct {
	Port    Port
	Clock   mono.Clock
	Timeout time.Duration       // for an answer as a whole; 0: 250 ms
	Silence time.Duration       // before a request; 0: 4 ms, which is 3.5 characters at 9600 baud
	Retries int                 // after no or a damaged answer
	Sleep   func(time.Duration) // nil: time.Sleep
}

// Defaults of Master.
const (
	defaultTimeout = 250 * time.Millisecond
	defaultSilence = 4 * time.Millisecond
)

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

// Read reads n registers, 1 to MaxRegisters, from start with function ReadHolding or ReadInput. It takes at most
// (Retries+1) x (Timeout + Silence).
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
	once := *m
	once.Retries = 0
	request := frame(device, WriteSingle, byte(at>>8), byte(at), byte(value>>8), byte(value))
	answer, err := once.ask(request, len(request), func([]byte) error { return nil })
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
		if err == nil || try >= m.Retries || errors.As(err, &e) && e <= 3 {
			return answer, err
		}
	}
}

// once sends a request and takes the answer.
func (m *Master) once(request []byte, length int, check func(head []byte) error) ([]byte, error) {
	silence, timeout := m.Silence, m.Timeout
	if silence <= 0 {
		silence = defaultSilence
	}
	if timeout <= 0 {
		timeout = defaultTimeout
	}
	probe.Wait(m.Sleep, silence)
	if err := m.Port.ResetInputBuffer(); err != nil {
		return nil, probe.Faultf(hardware.NoAnswer, "port", "empty the line: %w", err)
	}
	if n, err := m.Port.Write(request); err != nil || n != len(request) {
		return nil, probe.Faultf(hardware.NoAnswer, "port", "send: %d of %d bytes: %w", n, len(request), err)
	}
	end := m.Clock.Now().Add(timeout)
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
	return judge(request, answer, want, check, timeout)
}

func judge(request, answer []byte, want int, check func(head []byte) error, timeout time.Duration) ([]byte, error) {
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
