package trace

import (
	"bytes"
	"compress/flate"
	"errors"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func header() Header {
	h := Header{Format: 1, Program: "test", Kiln: "shed", TickNS: 1e9, EventKinds: []string{"none", "command", "checkpoint"}}
	for range 16 {
		h.Probes = append(h.Probes, Probe{Name: "p", Role: "dry_bulb", Lot: -1, Resolution: 0.01})
	}
	return h
}

// shed makes the records of a kiln at work: 16 probes read in turn every 5 s, three lots whose moisture falls, a fan
// speed, a heartbeat.
type shed struct {
	r   Record
	rng *rand.Rand
}

func newShed() *shed {
	s := &shed{rng: rand.New(rand.NewPCG(1, 2))}
	s.r = Record{Boot: 1, WallUnix: 1.7e9, WallTrusted: true, ContactActive: 1, ContactValid: 7, ReadBackValid: 0xff,
		DryBulb: 43.3, DryBulbValid: true, EMC: 17, EMCValid: true, RunID: 1, Mode: 2, Stage: 1, StageKind: 1, SetActive: true,
		SetDryBulb: 43.3, SetEMC: 17.6, BaseDryBulb: 43.3, BaseEMC: 17.6, Requested: 0x301, RequestedSpeed: [4]float64{1}}
	for i := range 16 {
		s.r.Probe[i], s.r.ProbeQuality[i] = 43.3, 2
	}
	for i := range 3 {
		s.r.Lots[i] = LotBelief{Control: 60 + float64(i), Mean: 58, Sigma: 1.5, Rate: 3.1}
	}
	return s
}

func (s *shed) next() *Record {
	r := &s.r
	r.Tick++
	r.Uptime += time.Second
	r.WallUnix++
	r.StageTime += time.Second
	r.Energy += 5000
	r.Applied = r.Requested | uint32(r.Tick%2)<<21
	r.ReadBack = r.Applied
	r.AppliedSpeed = r.RequestedSpeed
	for i := range 16 {
		if int(r.Tick)%5 == i%5 {
			r.Probe[i] = math.Round((43.3+0.05*s.rng.NormFloat64())/0.01) * 0.01
		}
	}
	if r.Tick%5 == 0 {
		r.DryBulb = (r.Probe[0] + r.Probe[5]) / 2
		r.EMC = 17.6 + math.Sin(r.DryBulb)/3
	}
	if r.Tick%30 == 0 {
		r.Condensate += 0.05
	}
	for i := range 3 {
		l := &r.Lots[i]
		l.Control -= l.Rate / 86400
		l.Mean -= l.Rate / 86400
		l.Rate += (3 - l.Rate) / 172800
		l.Sigma = math.Sqrt(l.Sigma*l.Sigma + 1e-7)
	}
	return r
}

// same compares bit by bit: NaN equals itself, and the zeros differ.
func same(t interface {
	require.TestingT
	Helper()
}, want, got *Record) {
	t.Helper()
	floats := func(r *Record) []uint64 {
		var out []uint64
		add := func(v ...*float64) {
			for _, f := range v {
				out = append(out, math.Float64bits(*f))
				*f = 0
			}
		}
		for i := range r.Probe {
			add(&r.Probe[i])
		}
		for i := range r.Lots {
			add(&r.Lots[i].Control, &r.Lots[i].Mean, &r.Lots[i].Sigma, &r.Lots[i].Rate)
		}
		for i := range r.Events {
			add(&r.Events[i].B)
		}
		for i := range r.RequestedSpeed {
			add(&r.RequestedSpeed[i], &r.AppliedSpeed[i])
		}
		add(&r.Condensate, &r.Energy, &r.DryBulb, &r.EMC, &r.SetDryBulb, &r.SetEMC, &r.BaseDryBulb, &r.BaseEMC, &r.GuardBias)
		return out
	}
	a, b := *want, *got
	for i := int(a.EventCount); i < MaxEvents; i++ {
		a.Events[i], b.Events[i] = Event{}, Event{}
	}
	require.Equal(t, floats(&a), floats(&b))
	require.Equal(t, a, b)
}

func TestDayComesBackAsItWas(t *testing.T) {
	var file bytes.Buffer
	w, err := NewWriter(&file, header())
	require.NoError(t, err)
	s := newShed()
	var want []Record
	for i := range 5000 {
		r := s.next()
		if i == 1234 {
			r.Events[0], r.EventCount = Event{1, -7, 0.1}, 1
		}
		if i == 2500 {
			require.NoError(t, w.Header(header()))
		}
		require.NoError(t, w.Write(r))
		want = append(want, *r)
		r.EventCount = 0
	}
	require.NoError(t, w.Close())
	require.Error(t, w.Write(s.next()), "closed")
	r, err := NewReader(&file)
	require.NoError(t, err)
	headers := 0
	for i := 0; ; {
		rec, h, err := r.Next()
		if err == io.EOF {
			require.Len(t, want, i)
			break
		}
		require.NoError(t, err)
		if h != nil {
			require.Equal(t, header(), *h)
			require.Equal(t, []int{0, 2500}[headers], i)
			headers++
			continue
		}
		same(t, &want[i], rec)
		i++
	}
	require.Equal(t, 2, headers)
}

func draw(t *rapid.T, last Record) Record {
	f := rapid.Custom(func(t *rapid.T) float64 {
		switch rapid.IntRange(0, 3).Draw(t, "kind of float") {
		case 0:
			return math.Float64frombits(rapid.Uint64().Draw(t, "bits"))
		case 1:
			return rapid.SampledFrom([]float64{0, math.Copysign(0, -1), math.NaN(), math.Inf(1), math.Inf(-1), 1e300, 5e-324}).Draw(t, "odd")
		default:
			return float64(rapid.IntRange(-1e6, 1e6).Draw(t, "multiple")) * 0.01
		}
	})
	r := last
	r.Tick++
	r.Uptime += time.Second
	for range rapid.IntRange(0, 6).Draw(t, "changes") {
		i := rapid.IntRange(0, 1000).Draw(t, "where")
		switch rapid.IntRange(0, 16).Draw(t, "field") {
		case 0:
			r.Probe[i%MaxProbes] = f.Draw(t, "v")
		case 1:
			r.ProbeQuality[i%MaxProbes] = uint8(i)
		case 2:
			r.Lots[i%MaxLots] = LotBelief{f.Draw(t, "v"), f.Draw(t, "v"), f.Draw(t, "v"), f.Draw(t, "v")}
		case 3:
			r.AppliedSpeed[i%4], r.RequestedSpeed[i%3] = f.Draw(t, "v"), f.Draw(t, "v")
		case 4:
			r.Events[i%MaxEvents], r.EventCount = Event{uint8(i), int32(-i), f.Draw(t, "v")}, uint8(i%(MaxEvents+1))
		case 5:
			r.DryBulb, r.EMC, r.Condensate, r.Energy = f.Draw(t, "v"), f.Draw(t, "v"), f.Draw(t, "v"), f.Draw(t, "v")
		case 6:
			r.SetDryBulb, r.SetEMC, r.BaseDryBulb, r.BaseEMC, r.GuardBias = f.Draw(t, "v"), f.Draw(t, "v"), f.Draw(t, "v"), f.Draw(t, "v"), f.Draw(t, "v")
		case 7:
			r.WallTrusted, r.DryBulbValid, r.EMCValid = i&1 != 0, i&2 != 0, i&4 != 0
		case 8:
			r.SetActive, r.Override, r.VentDry, r.ExposureCount = i&1 != 0, i&2 != 0, i&4 != 0, i&8 != 0
		case 9:
			r.Tick, r.Boot, r.RunID = rapid.Uint64().Draw(t, "v"), rapid.Uint32().Draw(t, "v"), rapid.Uint32().Draw(t, "v")
		case 10:
			r.Uptime, r.WallUnix = time.Duration(rapid.Int64().Draw(t, "v")), rapid.Int64().Draw(t, "v")
		case 11:
			r.StageTime, r.Exposure = time.Duration(rapid.Int64().Draw(t, "v")), time.Duration(rapid.Int64().Draw(t, "v"))
		case 12:
			r.ContactActive, r.ContactValid, r.ReadBack, r.ReadBackValid = uint32(i), ^uint32(i), rapid.Uint32().Draw(t, "v"), uint32(i)
		case 13:
			r.Requested, r.Applied, r.Vetoed = rapid.Uint32().Draw(t, "v"), rapid.Uint32().Draw(t, "v"), rapid.Uint32().Draw(t, "v")
		case 14:
			r.Governing, r.Stage, r.StageKind, r.Mode = int8(i), int8(-i), uint8(i), uint8(i)
		case 15:
			r.Forced, r.CondensateQuality, r.EnergyQuality = uint8(i), uint8(i), uint8(i)
		case 16:
			r.Trips = rapid.Uint64().Draw(t, "v")
		}
	}
	return r
}

func TestAnyRecordComesBackAsItWas(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var file bytes.Buffer
		w, err := NewWriter(&file, header())
		require.NoError(t, err)
		var want []Record
		for range rapid.IntRange(1, 40).Draw(t, "records") {
			var last Record
			if len(want) > 0 {
				last = want[len(want)-1]
			}
			r := draw(t, last)
			before := r
			require.NoError(t, w.Write(&r))
			same(t, &before, &r)
			want = append(want, r)
			if rapid.IntRange(0, 9).Draw(t, "flush") == 0 {
				require.NoError(t, w.Flush())
			}
		}
		require.NoError(t, w.Close())
		reader, err := NewReader(&file)
		require.NoError(t, err)
		_, h, err := reader.Next()
		require.NoError(t, err)
		require.NotNil(t, h)
		for i := range want {
			got, _, err := reader.Next()
			require.NoError(t, err)
			same(t, &want[i], got)
		}
		_, _, err = reader.Next()
		require.Equal(t, io.EOF, err)
	})
}

// read gives the number of records, of headers, and how the trace ended.
func read(from io.Reader) (records, headers int, last Header, err error) {
	r, err := NewReader(from)
	if err != nil {
		return 0, 0, last, err
	}
	for {
		_, h, err := r.Next()
		switch {
		case err == io.EOF:
			return records, headers, last, nil
		case err != nil:
			return records, headers, last, err
		case h != nil:
			last = *h
			headers++
		default:
			records++
		}
	}
}

func small(t testing.TB) ([]byte, []int) {
	var file bytes.Buffer
	w, err := NewWriter(&file, header())
	require.NoError(t, err)
	ends := []int{file.Len()}
	s := newShed()
	for range 4 {
		for range 10 {
			require.NoError(t, w.Write(s.next()))
		}
		require.NoError(t, w.Flush())
		ends = append(ends, file.Len())
	}
	return file.Bytes(), ends
}

func TestTornAnywhereKeepsAllBefore(t *testing.T) {
	whole, ends := small(t)
	path := filepath.Join(t.TempDir(), "x")
	for cut := range len(whole) + 1 {
		want := 0
		for i, e := range ends {
			if cut >= e {
				want = 10 * i
			}
		}
		for _, zeros := range []int{0, 40} { // a file system may have grown the file before the bytes came
			torn := append(bytes.Clone(whole[:cut]), make([]byte, zeros)...)
			got, _, _, err := read(bytes.NewReader(torn))
			require.Equal(t, want, got, "cut at %d", cut)
			var d *Damage
			if errors.As(err, &d) {
				require.LessOrEqual(t, d.Offset, int64(cut))
			}
			if cut < len(magic) && zeros > 0 {
				continue // no trace any more: refused, tested below
			}
			near := slices.ContainsFunc(ends, func(e int) bool { return cut >= e-2 && cut <= e+headLen+1 })
			if !near && cut%13 != 0 {
				continue
			}
			require.NoError(t, os.WriteFile(path, torn, 0o600))
			f, err := os.OpenFile(path, os.O_RDWR, 0)
			require.NoError(t, err)
			h := header()
			h.Boot = 2
			w, tail, err := Resume(f, h)
			require.NoError(t, err, "cut at %d", cut)
			require.False(t, tail.Closed)
			require.NoError(t, w.Write(newShed().next()))
			require.NoError(t, w.Close())
			require.NoError(t, f.Close())
			again, err := os.ReadFile(path)
			require.NoError(t, err)
			got, _, last, err := read(bytes.NewReader(again))
			require.NoError(t, err, "cut at %d", cut)
			require.Equal(t, want+1, got)
			require.Equal(t, cut >= ends[0], last.TailLost, "cut at %d", cut)
		}
	}
}

func TestResumeAfterCleanEnd(t *testing.T) {
	path := filepath.Join(t.TempDir(), "x")
	for boot := uint32(1); boot <= 3; boot++ {
		f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
		require.NoError(t, err)
		h := header()
		h.Boot = boot
		w, tail, err := Resume(f, h)
		require.NoError(t, err)
		require.Equal(t, Tail{Boot: boot - 1, Closed: boot > 1}, tail)
		require.NoError(t, w.Write(newShed().next()))
		require.NoError(t, w.Close())
		require.NoError(t, f.Close())
	}
	b, err := os.ReadFile(path)
	require.NoError(t, err)
	records, headers, last, err := read(bytes.NewReader(b))
	require.NoError(t, err)
	require.Equal(t, []int{3, 3}, []int{records, headers})
	require.False(t, last.TailLost)
}

func TestResumeLeavesWhatNoCrashMade(t *testing.T) {
	whole, ends := small(t)
	middle := bytes.Clone(whole)
	middle[ends[1]+headLen+3] ^= 1
	for name, content := range map[string][]byte{"damaged in the middle": middle, "does not begin with": []byte("kiln = 1\nand more of this")} {
		path := filepath.Join(t.TempDir(), "x")
		require.NoError(t, os.WriteFile(path, content, 0o600))
		f, err := os.OpenFile(path, os.O_RDWR, 0)
		require.NoError(t, err)
		_, _, err = Resume(f, header())
		require.ErrorContains(t, err, name)
		require.NoError(t, f.Close())
		after, err := os.ReadFile(path)
		require.NoError(t, err)
		require.Equal(t, content, after)
	}
	records, _, _, err := read(bytes.NewReader(middle))
	var d *Damage
	require.ErrorAs(t, err, &d)
	require.Equal(t, int64(ends[1]), d.Offset)
	require.Equal(t, 10, records)
}

func TestAnyFlippedBitIsFound(t *testing.T) {
	whole, _ := small(t)
	for at := range len(whole) * 8 {
		bad := bytes.Clone(whole)
		bad[at/8] ^= 1 << (at % 8)
		_, _, _, err := read(bytes.NewReader(bad))
		require.Error(t, err, "bit %d", at)
	}
}

type brokenDisk struct{ left int }

func (d *brokenDisk) Write(b []byte) (int, error) {
	if d.left -= len(b); d.left < 0 {
		return 0, errors.New("no space left")
	}
	return len(b), nil
}

func TestFullDiskIsSaidAndSaidAgain(t *testing.T) {
	w, err := NewWriter(&brokenDisk{left: 2000}, header())
	require.NoError(t, err)
	s := newShed()
	require.NoError(t, w.Write(s.next()))
	for range 3000 {
		if err = w.Write(s.next()); err != nil {
			break
		}
	}
	require.ErrorContains(t, err, "no space left")
	require.ErrorContains(t, w.Write(s.next()), "no space left")
	require.ErrorContains(t, w.Close(), "no space left")
	many := Record{EventCount: MaxEvents + 1}
	w, err = NewWriter(io.Discard, header())
	require.NoError(t, err)
	require.ErrorContains(t, w.Write(&many), "17 events")
	bad := header()
	bad.Limits.DryBulbMax = math.NaN()
	_, err = NewWriter(io.Discard, bad)
	require.Error(t, err)
}

func TestSteadyWritingAllocatesNothing(t *testing.T) {
	w, err := NewWriter(io.Discard, header())
	require.NoError(t, err)
	s := newShed()
	for range 3 * blockTicks {
		require.NoError(t, w.Write(s.next()))
	}
	require.Zero(t, testing.AllocsPerRun(2*blockTicks, func() { _ = w.Write(s.next()) }))
}

func FuzzReader(f *testing.F) {
	whole, ends := small(f)
	f.Add(whole)
	f.Add(whole[:ends[1]+5])
	f.Add([]byte(magic))
	deflate, err := flate.NewWriter(nil, flate.BestSpeed)
	require.NoError(f, err)
	f.Fuzz(func(t *testing.T, b []byte) {
		_, _, _, err := read(bytes.NewReader(b))
		if err != nil {
			require.Greater(t, len(err.Error()), 10)
		}
		// The same bytes as a block with a good checksum, which the checksum alone would never let through.
		c := coder{decoding: true, buf: b}
		c.reset(&Header{})
		c.buf = b
		var r Record
		for len(c.buf) > 0 && !c.bad {
			c.mask = c.get()
			if c.record(&r) != nil {
				break
			}
		}
		if len(b) > maxRaw {
			return
		}
		file := bytes.NewBufferString(magic)
		w := &Writer{to: file, deflate: deflate} // making one costs more than all the rest
		require.NoError(t, w.Header(header()))
		w.raw, w.ticks = append(w.raw, b...), 1
		require.NoError(t, w.Close())
		_, _, _, _ = read(file)
	})
}

func BenchmarkWrite(b *testing.B) {
	var n counter
	w, err := NewWriter(&n, header())
	require.NoError(b, err)
	s := newShed()
	records := make([]Record, 4000)
	for i := range records {
		records[i] = *s.next()
	}
	b.ReportAllocs()
	b.ResetTimer()
	for i := range b.N {
		_ = w.Write(&records[i%len(records)])
	}
	_ = w.Flush()
	b.ReportMetric(float64(n)/float64(b.N), "B/record")
}

func BenchmarkRead(b *testing.B) {
	var file bytes.Buffer
	w, err := NewWriter(&file, header())
	require.NoError(b, err)
	s := newShed()
	for range 50000 {
		require.NoError(b, w.Write(s.next()))
	}
	require.NoError(b, w.Close())
	b.ReportAllocs()
	b.ResetTimer()
	var r *Reader
	for i := range b.N {
		if i%50000 == 0 {
			r, _ = NewReader(bytes.NewReader(file.Bytes()))
			_, _, _ = r.Next()
		}
		_, _, _ = r.Next()
	}
}

type counter int64

func (c *counter) Write(b []byte) (int, error) { *c += counter(len(b)); return len(b), nil }
