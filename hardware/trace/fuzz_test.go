package trace

import (
	"bytes"
	"errors"
	"io"
	"testing"

	"github.com/stretchr/testify/require"
)

// memoryFile is a File in memory.
type memoryFile struct {
	data []byte
	at   int64
}

func (m *memoryFile) Read(p []byte) (int, error) {
	if m.at >= int64(len(m.data)) {
		return 0, io.EOF
	}
	n := copy(p, m.data[m.at:])
	m.at += int64(n)
	return n, nil
}

func (m *memoryFile) Write(p []byte) (int, error) {
	if grow := m.at + int64(len(p)) - int64(len(m.data)); grow > 0 {
		m.data = append(m.data, make([]byte, grow)...)
	}
	m.at += int64(copy(m.data[m.at:], p))
	return len(p), nil
}

func (m *memoryFile) Seek(to int64, whence int) (int64, error) {
	switch whence {
	case io.SeekCurrent:
		to += m.at
	case io.SeekEnd:
		to += int64(len(m.data))
	}
	m.at = to
	return to, nil
}

func (m *memoryFile) Truncate(size int64) error {
	m.data = m.data[:size]
	return nil
}

// FuzzResume goes on in a file of any bytes. Either it is refused and left as it was, or what stood whole before stands
// there still, and what is written now can be read.
func FuzzResume(f *testing.F) {
	whole, ends := small(f)
	f.Add(whole)
	f.Add(whole[:ends[1]+5])
	f.Add([]byte(magic)[:4])
	f.Add(append(bytes.Clone(whole[:ends[2]]), make([]byte, 40)...))
	f.Add(append(bytes.Clone(whole[:ends[0]+3]), whole[ends[1]:]...))
	h := header()
	h.Boot = 9
	f.Fuzz(func(t *testing.T, data []byte) {
		if len(data) > maxRaw {
			return
		}
		before, _, _, damaged := read(bytes.NewReader(data))
		file := &memoryFile{data: bytes.Clone(data)}
		w, _, err := Resume(file, h)
		if err != nil {
			require.Equal(t, data, file.data)
			return
		}
		require.NoError(t, w.Write(newShed().next()))
		require.NoError(t, w.Close())
		after, _, last, err := read(bytes.NewReader(file.data))
		if err == nil { // bytes that no writer made may be whole blocks and hold no records
			require.Equal(t, before+1, after)
			require.EqualValues(t, 9, last.Boot)
			return
		}
		var d *Damage
		require.True(t, errors.As(err, &d) && damaged != nil, "%v", err)
	})
}
