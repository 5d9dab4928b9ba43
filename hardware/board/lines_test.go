package board

import (
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"
	"unsafe"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"drywarden/hardware"
	"drywarden/hardware/probe/contact"
)

// cdev is a model of the kernel's character device for one GPIO chip: it takes the structures and numbers of
// include/uapi/linux/gpio.h apart as the kernel does.
type cdev struct {
	t        *testing.T
	mu       sync.Mutex // guards fails and level
	label    string
	names    []string // of lines; most have none
	users    []string
	level    []bool         // of what inputs hang on, and of outputs
	requests map[int][]int  // by descriptor: offsets
	fails    map[uint]error // by number of the ioctl
	next     int
	opened   int // chips that are open
}

func newCdev(t *testing.T, names ...string) *cdev {
	return &cdev{t: t, label: "bridge", names: names, users: make([]string, len(names)), level: make([]bool, len(names)),
		requests: map[int][]int{}, fails: map[uint]error{}, next: 10}
}

// fail makes lines neither readable nor drivable; nil ends that.
func (c *cdev) fail(err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.fails[unix.GPIO_V2_LINE_GET_VALUES_IOCTL], c.fails[unix.GPIO_V2_LINE_SET_VALUES_IOCTL] = err, err
}

// linux gives the host with this chip as gpiochip0.
func (c *cdev) linux() *Linux {
	dir := c.t.TempDir()
	require.NoError(c.t, os.WriteFile(filepath.Join(dir, "gpiochip0"), nil, 0o600))
	return &Linux{root: dir, kernel: c}
}

func (c *cdev) open(path string) (int, error) {
	require.Equal(c.t, "gpiochip0", filepath.Base(path))
	c.opened++
	return 3, nil
}

func (c *cdev) close(fd int) error {
	if fd == 3 {
		c.opened--
		return nil
	}
	for _, n := range c.requests[fd] {
		c.users[n] = ""
	}
	delete(c.requests, fd)
	return nil
}

func (c *cdev) ioctl(fd int, request uint, arg unsafe.Pointer) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if err := c.fails[request]; err != nil {
		return err
	}
	switch request {
	case unix.GPIO_GET_CHIPINFO_IOCTL:
		info := (*unix.GPIOChipInfo)(arg)
		copy(info.Name[:], "gpiochip0")
		copy(info.Label[:], c.label)
		info.Lines = uint32(len(c.names))
	case unix.GPIO_V2_GET_LINEINFO_IOCTL:
		line := (*unix.GPIOV2LineInfo)(arg)
		copy(line.Name[:], c.names[line.Offset])
		copy(line.Consumer[:], c.users[line.Offset])
	case unix.GPIO_V2_GET_LINE_IOCTL:
		return c.claim((*unix.GPIOV2LineRequest)(arg))
	case unix.GPIO_V2_LINE_GET_VALUES_IOCTL, unix.GPIO_V2_LINE_SET_VALUES_IOCTL:
		values := (*unix.GPIOV2LineValues)(arg)
		for i, n := range c.requests[fd] {
			switch {
			case values.Mask>>i&1 == 0:
			case request == unix.GPIO_V2_LINE_SET_VALUES_IOCTL:
				c.level[n] = values.Bits>>i&1 == 1
			case c.level[n]:
				values.Bits |= 1 << i
			}
		}
	default:
		return unix.ENOTTY
	}
	return nil
}

func (c *cdev) claim(r *unix.GPIOV2LineRequest) error {
	offsets := r.Offsets[:r.Num_lines]
	for _, n := range offsets {
		if c.users[n] != "" {
			return unix.EBUSY
		}
	}
	for i, n := range offsets {
		c.users[n] = text(r.Consumer)
		if r.Config.Flags&lineOutput != 0 {
			require.EqualValues(c.t, 1, r.Config.Num_attrs, "an output comes with its level")
			a := r.Config.Attrs[0]
			require.EqualValues(c.t, unix.GPIO_V2_LINE_ATTR_ID_OUTPUT_VALUES, a.Attr.Id)
			require.EqualValues(c.t, 1, a.Mask>>i&1)
			c.level[n] = a.Attr.Flags>>i&1 == 1
		}
		c.requests[c.next] = append(c.requests[c.next], int(n))
	}
	r.Fd = int32(c.next)
	c.next++
	return nil
}

// The size that a number of an ioctl carries is that of the structure that goes with it, on 32-bit processors too
// (include/uapi/asm-generic/ioctl.h: bits 16 to 29).
func TestStructuresFitTheirNumbers(t *testing.T) {
	for number, size := range map[uint]uintptr{
		unix.GPIO_GET_CHIPINFO_IOCTL:       unsafe.Sizeof(unix.GPIOChipInfo{}),
		unix.GPIO_V2_GET_LINEINFO_IOCTL:    unsafe.Sizeof(unix.GPIOV2LineInfo{}),
		unix.GPIO_V2_GET_LINE_IOCTL:        unsafe.Sizeof(unix.GPIOV2LineRequest{}),
		unix.GPIO_V2_LINE_GET_VALUES_IOCTL: unsafe.Sizeof(unix.GPIOV2LineValues{}),
		unix.GPIO_V2_LINE_SET_VALUES_IOCTL: unsafe.Sizeof(unix.GPIOV2LineValues{}),
	} {
		require.EqualValues(t, number>>16&0x3FFF, size, "0x%08x", number)
	}
}

func TestLines(t *testing.T) {
	c := newCdev(t, "", "", "FAN", "", "")
	c.level[2], c.level[4] = true, true // from before
	l := c.linux()
	require.Equal(t, "bridge", l.Chips()[0].Label)
	out, err := l.Outputs("bridge", []string{"4", "FAN"})
	require.NoError(t, err)
	require.Equal(t, []bool{false, false, false, false, false}, c.level, "outputs are low once they are claimed")
	require.NoError(t, out.Write(0b01))
	require.True(t, c.level[4])
	require.False(t, c.level[2])
	bits, known, err := out.Read()
	require.NoError(t, err)
	require.Equal(t, [2]uint64{0b01, 0b11}, [2]uint64{bits, known}, "lines without names are read back too")

	in, err := l.Inputs("gpiochip0", []string{"0", "1", "3"})
	require.NoError(t, err)
	require.Error(t, in.Write(1))
	c.level[1] = true
	bits, known, err = in.Read()
	require.NoError(t, err)
	require.Equal(t, [2]uint64{0b010, 0b111}, [2]uint64{bits, known})

	_, err = l.Inputs("gpiochip0", []string{"FAN"})
	require.ErrorIs(t, err, unix.EBUSY)
	require.ErrorContains(t, err, `line FAN: device or resource busy: it is held by "drywarden"`)
	require.Equal(t, []string{"gpiochip0"}, l.InUse())
	require.NoError(t, out.Close())
	require.NoError(t, in.Close())
	require.Empty(t, l.InUse())
	_, err = l.Inputs("gpiochip0", []string{"2", "FAN"})
	require.ErrorContains(t, err, "used twice")
	_, err = l.Inputs("gpiochip0", []string{"5"})
	require.ErrorContains(t, err, `no line "5"`)
	_, err = l.Inputs("gpiochip1", []string{"0"})
	require.ErrorContains(t, err, "there are gpiochip0 (bridge)")
	require.Zero(t, c.opened)
}

// A chip that fails, or is gone, tells nothing of its lines: not that they are low.
func TestLinesThatCannotBeRead(t *testing.T) {
	c := newCdev(t, "", "")
	l := c.linux()
	in, err := l.Inputs("bridge", []string{"0", "1"})
	require.NoError(t, err)
	out, err := c.linux().Outputs("bridge", nil)
	require.Nil(t, out)
	require.Error(t, err)
	for _, gone := range []error{unix.EIO, unix.ENODEV} {
		c.fail(gone)
		_, known, err := in.Read()
		require.ErrorIs(t, err, gone)
		require.Zero(t, known)
	}
}

// hybrid is a host whose lines go through Linux's code.
type hybrid struct {
	*models
	linux *Linux
}

func (h hybrid) Outputs(chip string, lines []string) (Lines, error) {
	return h.linux.Outputs(chip, lines)
}
func (h hybrid) Inputs(chip string, lines []string) (Lines, error) {
	return h.linux.Inputs(chip, lines)
}

// With the chip that the emergency stop hangs on gone, no contact on it is "not pressed": all are unknown, and outputs on it
// count as not written.
func TestContactsOfAChipThatIsGone(t *testing.T) {
	inBubble(t, func(t *testing.T, m *models, c Config) {
		kernel := newCdev(t, make([]string, 32)...)
		b, err := Open(c, hybrid{m, kernel.linux()})
		require.NoError(t, err)
		pass(12 * time.Second)
		var s hardware.Snapshot
		require.NoError(t, b.Read(m.clock.Now(), &s))
		require.Equal(t, c.Layout.Contacts, s.Contacts.Valid)
		require.True(t, s.Contacts.Clear(hardware.ContactEStop))
		kernel.fail(unix.ENODEV)
		pass(contact.DefaultStale + contactEvery)
		require.NoError(t, b.Read(m.clock.Now(), &s))
		require.Equal(t, hardware.ContactSet(0).With(hardware.ContactFloat, true), s.Contacts.Valid, "what is on the expander")
		require.Zero(t, s.ReadBackValid)
		require.ErrorIs(t, b.Apply(m.clock.Now(), hardware.Outputs{}), unix.ENODEV)
		kernel.fail(nil)
		require.NoError(t, b.Close())
	})
}
