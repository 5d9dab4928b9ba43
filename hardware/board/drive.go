package board

import (
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"drywarden/hardware"
	"drywarden/hardware/mono"
	"drywarden/hardware/probe"
)

// Drive sets the speed of fans through channels of the kernel's pulse-width modulation (sysfs, class pwm; the kernel's
// Documentation/driver-api/pwm.rst), smoothed to the voltage that a frequency drive wants. It starts and stops no fan: that
// is the outputs' business, and the drive's own start input hangs on them.
type Drive struct {
	Key      string
	Channels []string      // "pwmchip0/1": one for all fan groups, or one for each
	Period   time.Duration // of the modulation
	Root     string        // empty: the kernel's
}

const (
	pwmRoot     = "/sys/class/pwm"
	leastPeriod = 20 * time.Microsecond
	mostPeriod  = 100 * time.Millisecond
	speedSteps  = 1000 // of full speed, as handed to the drive's goroutine
	speedBits   = 16
)

func pwmNumbers(channel string) (chip, number int, err error) {
	before, after, ok := strings.Cut(strings.TrimPrefix(channel, "pwmchip"), "/")
	chip, e1 := strconv.Atoi(before)
	number, e2 := strconv.Atoi(after)
	if !ok || !strings.HasPrefix(channel, "pwmchip") || e1 != nil || e2 != nil || chip < 0 || number < 0 {
		return 0, 0, fmt.Errorf("%q: expected a channel of pulse-width modulation, like \"pwmchip0/1\"", channel)
	}
	return chip, number, nil
}

func (c *Config) checkDrive(k *checker) {
	d := c.Drive
	if c.Layout.FanDrive != (d != nil) {
		k.fault("", "", "layout and wiring that differ in the fan drive", "one when the layout has one")
	}
	if d == nil {
		return
	}
	if n := len(d.Channels); n != 1 && n != c.Layout.FanGroups {
		k.fault(d.Key, "channels", fmt.Sprintf("%d channels for %d fan groups", n, c.Layout.FanGroups), "one for all or one for each")
	}
	for _, channel := range d.Channels {
		if _, _, err := pwmNumbers(channel); !k.err(d.Key, "channels", err) {
			k.take(d.Key, "channels", "channel "+channel, "the fan drive")
		}
	}
	if d.Period < leastPeriod || d.Period > mostPeriod {
		k.fault(d.Key, "hertz", "a period of "+d.Period.String(), fmt.Sprintf("%v to %v", leastPeriod, mostPeriod))
	}
}

// pwm is one channel.
type pwm struct {
	dir    string
	period time.Duration
}

// open exports the channel with no duty, then sets its period and enables it.
func (p *pwm) open(root, channel string) error {
	chip, number, err := pwmNumbers(channel)
	if err != nil {
		return err
	}
	if root == "" {
		root = pwmRoot
	}
	base := filepath.Join(root, "pwmchip"+strconv.Itoa(chip))
	p.dir = filepath.Join(base, "pwm"+strconv.Itoa(number))
	if _, err := os.Stat(p.dir); err != nil {
		if err := put(filepath.Join(base, "export"), number); err != nil {
			return err
		}
	}
	if err := p.handedOver(); err != nil {
		return err
	}
	// A duty longer than the period is refused by the kernel, so it goes to none first. The channel may never have had a
	// period; then the kernel refuses even that, and there is nothing to put back.
	_ = put(filepath.Join(p.dir, "duty_cycle"), 0)
	return errors.Join(put(filepath.Join(p.dir, "period"), int(p.period)), put(filepath.Join(p.dir, "duty_cycle"), 0),
		put(filepath.Join(p.dir, "enable"), 1))
}

// A channel's files are there once it is exported, but the kernel makes them root's: on the first start udev gives them to the
// others a moment later.
const (
	handedOverEvery  = 50 * time.Millisecond
	handedOverAtMost = 3 * time.Second
)

// handedOver waits until the channel's files may be written.
func (p *pwm) handedOver() error {
	for waited := time.Duration(0); ; waited += handedOverEvery {
		var faults []error
		for _, name := range []string{"period", "duty_cycle", "enable"} {
			f, err := os.OpenFile(filepath.Join(p.dir, name), os.O_WRONLY, 0)
			if err == nil {
				err = f.Close()
			}
			faults = append(faults, err)
		}
		err := errors.Join(faults...)
		if waiting := errors.Is(err, fs.ErrPermission) || errors.Is(err, fs.ErrNotExist); !waiting || waited >= handedOverAtMost {
			return err
		}
		time.Sleep(handedOverEvery)
	}
}

// put writes a number to a file of the kernel's that is there already.
func put(path string, n int) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_TRUNC, 0)
	if err != nil {
		return err
	}
	_, err = f.WriteString(strconv.Itoa(n))
	return errors.Join(err, f.Close())
}

// set writes a share of full speed and proves it.
func (p *pwm) set(share float64) error {
	path := filepath.Join(p.dir, "duty_cycle")
	duty := int(math.Round(share * float64(p.period)))
	if err := put(path, duty); err != nil {
		return probe.Faultf(hardware.NoAnswer, "no_answer", "set fan speed: %w", err)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return probe.Faultf(hardware.NoAnswer, "no_answer", "read back fan speed: %w", err)
	}
	if got := strings.TrimSpace(string(text)); got != strconv.Itoa(duty) {
		return probe.Faultf(hardware.Implausible, "not_taken", "set fan speed: duty is %s ns, told %d ns", got, duty)
	}
	return nil
}

// drive sets the channels up; a goroutine of its own writes them, as with any device.
func (w *wiring) drive() {
	d := w.board.config.Drive
	if d == nil {
		return
	}
	channels := make([]pwm, len(d.Channels))
	for i, name := range d.Channels {
		channels[i].period = d.Period
		if err := channels[i].open(d.Root, name); err != nil {
			w.fail(d.Key, "channels", name, err, nil)
			return
		}
	}
	o := w.device("the fan drive", nil, func(_ mono.Instant, levels uint64) error {
		var faults []error
		for i := range channels {
			faults = append(faults, channels[i].set(float64(levels>>(speedBits*i)&(1<<speedBits-1))/speedSteps))
		}
		return errors.Join(faults...)
	})
	o.levels = func(to hardware.Outputs) uint64 { return speeds(to, len(channels)) }
}

// speeds packs the speed of each channel: of its fan group, or of the fastest where one channel drives all. Fans that are
// off have none.
func speeds(to hardware.Outputs, channels int) (levels uint64) {
	for g := range hardware.MaxFanGroups {
		if !to.On.Has(hardware.FanForward(g)) && !to.On.Has(hardware.FanReverse(g)) {
			continue
		}
		at := speedBits * min(g, channels-1)
		speed := uint64(math.Round(min(max(float64(to.FanSpeed[g]), 0), 1) * speedSteps))
		if was := levels >> at & (1<<speedBits - 1); speed > was {
			levels += (speed - was) << at
		}
	}
	return levels
}
