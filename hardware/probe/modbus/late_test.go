package modbus

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/hardware"
	"drywarden/hardware/hardwaretest/chip"
	"drywarden/hardware/mono"
	"drywarden/hardware/probe"
)

// slow is a line with a transmitter that answers each request rightly, a delay after it came, one after the other.
type slow struct {
	clock  *mono.Manual
	values map[byte]uint16 // by register
	delay  time.Duration
	busy   mono.Instant
	queue  []queued
	buffer []byte
	limit  time.Duration
	sent   []mono.Instant
}

type queued struct {
	at mono.Instant
	b  []byte
}

func (s *slow) arrive() {
	for len(s.queue) > 0 && s.queue[0].at <= s.clock.Now() {
		s.buffer = append(s.buffer, s.queue[0].b...)
		s.queue = s.queue[1:]
	}
}

func (s *slow) ResetInputBuffer() error              { s.arrive(); s.buffer = nil; return nil }
func (s *slow) SetReadTimeout(d time.Duration) error { s.limit = d; return nil }

func (s *slow) Write(q []byte) (int, error) {
	answer := []byte{q[0], q[1], 2 * q[5]}
	for i := range q[5] {
		v := s.values[q[3]+i]
		answer = append(answer, byte(v>>8), byte(v))
	}
	s.busy = max(s.clock.Now(), s.busy).Add(s.delay)
	s.queue = append(s.queue, queued{s.busy, chip.Seal(answer)})
	s.sent = append(s.sent, s.clock.Now())
	return len(q), nil
}

func (s *slow) Read(b []byte) (int, error) {
	if s.arrive(); len(s.buffer) == 0 {
		if len(s.queue) == 0 || s.queue[0].at.Sub(s.clock.Now()) > s.limit {
			s.clock.Advance(s.limit)
			return 0, nil
		}
		s.clock.Advance(s.queue[0].at.Sub(s.clock.Now()))
		s.arrive()
	}
	n := copy(b, s.buffer)
	s.buffer = s.buffer[n:]
	return n, nil
}

// A transmitter that answers late is told as one; its temperature is never taken for the humidity, whether the registers
// stand side by side or not.
func TestLateAnswers(t *testing.T) {
	for _, apart := range []uint16{1, 7} {
		for delay := 50 * time.Millisecond; delay <= 1150*time.Millisecond; delay += 10 * time.Millisecond {
			clock := &mono.Manual{}
			port := &slow{clock: clock, delay: delay, values: map[byte]uint16{0: 485, byte(apart): 620}}
			master := &Master{Port: port, Clock: clock, Retries: 2, Sleep: clock.Advance}
			air := Transmitter{Master: master, Device: 1, Temperature: Register{Function: 3, Scale: 0.1}, Humidity: Register{Function: 3, Address: apart, Scale: 0.001}}
			for range 4 {
				got, err := air.Measure(clock.Now())
				if delay <= DefaultTimeout {
					require.NoError(t, err, "%v", delay)
				}
				if err != nil {
					require.Equal(t, "late", probe.SignOf(err), "%v: %v", delay, err)
					require.Equal(t, hardware.NoAnswer, probe.QualityOf(err))
				} else {
					require.InDelta(t, 48.5, float64(got.Temperature), 1e-9, "%v", delay)
					require.InDelta(t, 0.62, float64(got.Humidity), 1e-9, "%v", delay)
				}
				clock.Advance(2 * time.Second)
			}
		}
	}
}

// The time limit is the line's to set.
func TestTimeLimit(t *testing.T) {
	clock := &mono.Manual{}
	port := &slow{clock: clock, delay: 600 * time.Millisecond, values: map[byte]uint16{0: 485, 1: 620}}
	master := &Master{Port: port, Clock: clock, Sleep: clock.Advance}
	_, err := master.Read(1, ReadHolding, 0, 2)
	require.Equal(t, "late", probe.SignOf(err))
	master.Timeout = 650 * time.Millisecond
	got, err := master.Read(1, ReadHolding, 0, 2)
	require.NoError(t, err)
	require.Equal(t, []uint16{485, 620}, got)
	require.Len(t, port.sent, 2)
}

// After a lost answer nothing is sent until the line was quiet for as long as it should be.
func TestQuietAfterALostAnswer(t *testing.T) {
	clock := &mono.Manual{}
	port := &slow{clock: clock, delay: 900 * time.Millisecond}
	master := &Master{Port: port, Clock: clock, Retries: 1, Sleep: clock.Advance}
	_, err := master.Read(1, ReadHolding, 0, 1)
	require.Error(t, err)
	require.Len(t, port.sent, 2)
	require.GreaterOrEqual(t, port.sent[1].Sub(port.sent[0]), port.delay+master.Quiet())
}

// A write that is not answered in time leaves no answer behind for the next question, and is sent once.
func TestLateAnswerToAWrite(t *testing.T) {
	clock := &mono.Manual{}
	port := &slow{clock: clock, delay: 700 * time.Millisecond, values: map[byte]uint16{0: 485}}
	master := &Master{Port: port, Clock: clock, Retries: 2, Sleep: clock.Advance}
	require.Equal(t, "late", probe.SignOf(master.Write(1, 0, 485)))
	require.Len(t, port.sent, 1)
	port.delay = 50 * time.Millisecond
	got, err := master.Read(1, ReadHolding, 0, 1)
	require.NoError(t, err)
	require.Equal(t, []uint16{485}, got)
	require.Equal(t, 2, master.Retries)
}

// babbler sends all the time.
type babbler struct {
	slow
	written int
}

func (b *babbler) Write(q []byte) (int, error) { b.written++; return len(q), nil }
func (b *babbler) Read(to []byte) (int, error) {
	b.clock.Advance(20 * time.Millisecond)
	return copy(to, "noise"), nil
}

// A line on which something sends without being asked is left alone, and the wait for its end has an end.
func TestBabble(t *testing.T) {
	clock := &mono.Manual{}
	port := &babbler{slow: slow{clock: clock}}
	master := &Master{Port: port, Clock: clock, Retries: 2, Sleep: clock.Advance}
	_, err := master.Read(1, ReadHolding, 0, 1)
	require.Error(t, err)
	require.Equal(t, 1, port.written)
	start := clock.Now()
	_, err = master.Read(1, ReadHolding, 0, 1)
	require.Equal(t, "babble", probe.SignOf(err))
	require.Equal(t, 1, port.written, "nothing is asked")
	require.LessOrEqual(t, clock.Now().Sub(start), (mostLoud+1)*master.Quiet())
}

// 3.5 characters of 11 bits: 32 ms at 1200 baud, 4 ms at 9600; 1.75 ms above 19200 (Modbus over serial line, specification and
// implementation guide V1.02, section 2.5.1.1).
func TestSilence(t *testing.T) {
	for baud, want := range map[int]float64{1200: 32.08, 2400: 16.04, 4800: 8.02, 9600: 4.01, 0: 4.01, 19200: 2.005, 38400: 1.75, 115200: 1.75} {
		m := Master{Baud: baud}
		require.InDelta(t, want, m.silence().Seconds()*1e3, 0.01, "%d baud", baud)
	}
}

func TestParity(t *testing.T) {
	for _, p := range []Parity{NoParity, Even, Odd} {
		var got Parity
		require.NoError(t, got.UnmarshalText([]byte(p.String())))
		require.Equal(t, p, got)
	}
	var p Parity
	require.Error(t, p.UnmarshalText([]byte("mark")))
}

// One request reads both, whichever comes first.
func TestOneRequestForBoth(t *testing.T) {
	r := newRig()
	_, err := r.air.Measure(0)
	require.NoError(t, err)
	require.Len(t, r.line.Written, 1)
	r.line.Put(1, 0, 620, 485)
	r.air.Temperature.Address, r.air.Humidity.Address = 1, 0
	air, err := r.air.Measure(0)
	require.NoError(t, err)
	require.Len(t, r.line.Written, 2)
	require.InDelta(t, 48.5, float64(air.Temperature), 1e-9)
	require.InDelta(t, 0.62, float64(air.Humidity), 1e-9)
	r.line.Put(1, 0x20, 0x4242, 0, 0x3F1E, 0xB852) // 48.5 and 0.62 as IEEE 754 numbers
	r.air.Temperature = Register{Function: ReadHolding, Address: 0x20, Format: Float32, Scale: 1}
	r.air.Humidity = Register{Function: ReadHolding, Address: 0x22, Format: Float32, Scale: 1}
	air, err = r.air.Measure(0)
	require.NoError(t, err)
	require.Len(t, r.line.Written, 3)
	require.InDelta(t, 48.5, float64(air.Temperature), 1e-6)
	require.InDelta(t, 0.62, float64(air.Humidity), 1e-6)
}

// What a transmitter or meter sends is a value only when it is the whole of a sealed answer, and the value is what stands in
// it.
func FuzzTransmitter(f *testing.F) {
	f.Add(chip.Seal([]byte{1, 3, 4, 0x01, 0xE5, 0x02, 0x6C})) // 48.5 C, 62.0 %
	f.Add(chip.Seal([]byte{1, 3, 4, 0x80, 0x00, 0x02, 0x6C}))
	f.Add(chip.Seal([]byte{1, 0x83, 4}))
	f.Fuzz(func(t *testing.T, answer []byte) {
		r := newRig()
		r.master.Retries = 0
		r.line.Spoil(func(_, _ []byte) []byte { return answer })
		air, err := r.air.Measure(0)
		if err != nil {
			require.NotEqual(t, hardware.Valid, probe.QualityOf(err))
			return
		}
		require.GreaterOrEqual(t, len(answer), 9)
		require.Equal(t, chip.Seal([]byte{1, 3, 4, answer[3], answer[4], answer[5], answer[6]}), answer[:9], "a value without its checksum")
		require.InDelta(t, float64(int16(uint16(answer[3])<<8|uint16(answer[4])))/10, float64(air.Temperature), 1e-9)
		require.InDelta(t, float64(int16(uint16(answer[5])<<8|uint16(answer[6])))/1000, float64(air.Unclipped), 1e-9)
		require.True(t, air.Temperature >= probe.AirMin && air.Temperature <= probe.AirMax && air.Humidity >= 0 && air.Humidity <= 1)
	})
}

func FuzzEnergyMeter(f *testing.F) {
	f.Add(chip.Seal([]byte{7, 4, 4, 0, 0, 3, 0xE8}), chip.Seal([]byte{7, 4, 4, 0, 0, 3, 0xE9}))
	f.Add(chip.Seal([]byte{7, 4, 4, 0xFF, 0xFF, 0xFF, 0xFF}), []byte{7})
	f.Fuzz(func(t *testing.T, first, second []byte) {
		r := newRig()
		r.master.Retries = 0
		m := EnergyMeter{Master: &r.master, Device: 7, Most: 20e3, Energy: Register{Function: ReadInput, Address: 0x100, Format: Uint32, Scale: 36e3}}
		var last float64
		for i, answer := range [][]byte{first, second} {
			r.line.Spoil(func(_, _ []byte) []byte { return answer })
			total, err := m.Measure(r.clock.Now())
			if err != nil {
				require.NotEqual(t, hardware.Valid, probe.QualityOf(err))
				return
			}
			require.GreaterOrEqual(t, len(answer), 9)
			require.Equal(t, chip.Seal([]byte{7, 4, 4, answer[3], answer[4], answer[5], answer[6]}), answer[:9], "a value without its checksum")
			raw := uint32(answer[3])<<24 | uint32(answer[4])<<16 | uint32(answer[5])<<8 | uint32(answer[6])
			require.InDelta(t, float64(raw)*36e3, float64(total), 1)
			if i > 0 {
				require.GreaterOrEqual(t, float64(total), last, "a total only grows")
			}
			last = float64(total)
		}
	})
}
