package campaign

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"drywarden/controller"
	"drywarden/hardware"
	"drywarden/hardware/quantity"
	"drywarden/hardware/simkiln"
)

// injection brings a row's failure about in a running site. The error says that the site broke by it.
type injection func(s *site, r *rand.Rand) error

// plant injects one of these faults of the simulated kiln, as severe as the draw wills, for a while; 0 is until the row
// must have been told, and some hours more, whoever looks after it.
func plant(lasts time.Duration, severity float64, kinds ...simkiln.FaultKind) injection {
	return func(s *site, r *rand.Rand) error {
		f := simkiln.Fault{Kind: kinds[r.IntN(len(kinds))], Severity: quantity.Ratio(severity * (0.75 + 0.5*r.Float64()))}
		if f.Duration = quantity.Duration(time.Duration(float64(lasts) * (0.5 + r.Float64())).Truncate(time.Second)); lasts == 0 {
			f.Duration = quantity.Duration(s.lasting)
		}
		return s.kiln.Inject(f)
	}
}

// probe injects a fault of one probe of a role; nth 0 draws which.
func probe(role hardware.Role, nth int, severity float64, kinds ...simkiln.FaultKind) injection {
	return func(s *site, r *rand.Rand) error {
		ids := s.deps.Config.Layout.ByRole(role)
		at := r.IntN(len(ids))
		if nth > 0 {
			at = nth - 1
		}
		return s.kiln.Inject(simkiln.Fault{Kind: kinds[r.IntN(len(kinds))], Probe: ids[at], Severity: quantity.Ratio(severity),
			Duration: quantity.Duration(s.lasting)})
	}
}

func all(of ...injection) injection {
	return func(s *site, r *rand.Rand) error {
		var faults []error
		for _, one := range of {
			faults = append(faults, one(s, r))
		}
		return errors.Join(faults...)
	}
}

func oneOf(of ...injection) injection {
	return func(s *site, r *rand.Rand) error { return of[r.IntN(len(of))](s, r) }
}

// caused injects a row's failure as TestFailures does in a whole kiln.
func caused(row int) injection {
	return func(s *site, _ *rand.Rand) error {
		var faults []error
		for _, f := range causes[row].faultsOf(panicking{}, &s.deps.Config.Layout, s.kiln.Now()) {
			if f.Duration == 0 {
				f.Duration = quantity.Duration(s.lasting)
			}
			faults = append(faults, s.kiln.Inject(f))
		}
		return errors.Join(faults...)
	}
}

// hangs stops the program for a while; the gate's own deadline is looked at as its goroutine does.
func hangs(s *site, r *rand.Rand) error {
	seconds, recovers := 6+r.IntN(90), r.IntN(2) == 0
	s.later(0, func() error {
		s.hang(seconds)
		if on := s.gate.State().Out.On & (hardware.AllHeat | machine | spray); on != 0 {
			return fmt.Errorf("after %d s without a tick still on: %022b", seconds, on)
		}
		if recovers {
			return nil
		}
		return s.kill(0) // the supervisor gives up on it: a new program
	})
	return nil
}

// dies ends the program now, and a new one starts a little later.
func dies(s *site, r *rand.Rand) error {
	outage := time.Duration(1+r.IntN(240)) * time.Second
	s.later(0, func() error { return s.kill(outage) })
	return nil
}

// diskFails takes the disk away for hours, now and then with a program that dies meanwhile.
func diskFails(s *site, r *rand.Rand) error {
	s.memory.fault, s.memory.tripFault = errDisk, errDisk
	hours := time.Duration(1+r.IntN(6)) * time.Hour
	s.later(hours, func() error { s.memory.fault, s.memory.tripFault = nil, nil; return nil })
	return nil
}

// stateDamaged ends the program; the new one can read neither slot of the control state, or not the record of trips.
func stateDamaged(s *site, r *rand.Rand) error {
	trips := r.IntN(2) == 0
	s.later(0, func() error {
		if trips {
			s.memory.tripFault = errors.New("checksum")
			err := s.kill(time.Minute)
			s.memory.tripFault = nil
			return err
		}
		s.move(time.Minute)
		return s.start(nil, errors.New("checksum"), time.Minute)
	})
	return nil
}

// unheard lets messages reach nobody for a day.
func unheard(s *site, _ *rand.Rand) error {
	boy := s.deps.Courier.(*errandBoy)
	boy.Failing, boy.Unheard, boy.Undelivered, boy.Patience = true, true, 1, 600
	s.later(24*time.Hour, func() error { boy.DeliveryStatus = controller.DeliveryStatus{}; return nil })
	return nil
}

func clockJumps(s *site, r *rand.Rand) error {
	jumps := []int64{-3600, 3600, 86400 * 365 * 30, -86400 * 365 * 30, 60, -60, 1 << 40}
	s.offset += jumps[r.IntN(len(jumps))]
	return nil
}

func ticksLate(s *site, r *rand.Rand) error {
	for i := range 20 {
		late := time.Duration(1+r.IntN(8)) * time.Second
		s.later(time.Duration(i)*30*time.Second, func() error { s.late = late; return nil })
	}
	return nil
}

// memoryFails turns a bit of the loop's configuration.
func memoryFails(s *site, r *rand.Rand) error {
	s.probes[r.IntN(len(s.probes))].Uncertainty += 4
	return nil
}

// filesChange ends the program; the new one finds another kiln file.
func filesChange(s *site, _ *rand.Rand) error {
	s.later(0, func() error { s.deps.Header.KilnHash += "+"; return s.kill(5 * time.Second) })
	return nil
}

// chatters restarts the computer while its relays do what they like.
func chatters(s *site, r *rand.Rand) error {
	if err := s.kiln.Inject(simkiln.Fault{Kind: simkiln.RelayGlitch, Duration: quantity.Duration(2 * time.Second)}); err != nil {
		return err
	}
	return dies(s, r)
}

// reverses asks for the other direction before the fans have coasted down.
func reverses(s *site, _ *rand.Rand) error {
	s.meddle(20*time.Second, func(o *hardware.Outputs) {
		turned := o.On &^ hardware.AllFans
		for g := range hardware.MaxFanGroups {
			turned = turned.With(hardware.FanForward(g), o.On.Has(hardware.FanReverse(g))).With(hardware.FanReverse(g), o.On.Has(hardware.FanForward(g)))
		}
		o.On = turned
	})
	return nil
}

// cycles takes the compressor out and asks for it again every minute.
func cycles(s *site, _ *rand.Rand) error {
	began := s.kiln.Now()
	s.meddle(time.Hour, func(o *hardware.Outputs) {
		if (s.kiln.Now()-began)%(4*time.Minute) < 10*time.Second {
			o.On = o.On.With(hardware.Compressor, false)
		}
	})
	return nil
}

// tooHot lets every dry bulb read over the software's limit for a while.
func tooHot(s *site, r *rand.Rand) error {
	over := 0.5 + 5*r.Float64()
	s.spoil(30*time.Second, func(snap *hardware.Snapshot) {
		for _, id := range s.deps.Config.Layout.ByRole(hardware.RoleDryBulb) {
			snap.Readings[id] = hardware.Reading{Value: float64(s.limits.DryBulbMax) + over, Quality: hardware.Valid}
		}
	})
	return nil
}

// setLower lets an operator ask for air that is much cooler than what is there.
func setLower(s *site, _ *rand.Rand) error {
	c := s.command(controller.VerbSet)
	c.HasDryBulb, c.DryBulb, c.For = true, quantity.Celsius(s.record.SetDryBulb-8), 6*time.Hour
	s.loop.Submit(c)
	return nil
}

// injections bring about the rows of failures, by number. The sheet of row 59 is wrong from the start: see wrongSheet.
var injections = [...]injection{
	1:  caused(1),
	2:  probe(hardware.RoleDryBulb, 0, 1, simkiln.ProbeStuck),
	3:  probe(hardware.RoleDryBulb, 0, 1.5, simkiln.ProbeNoise),
	4:  probe(hardware.RoleDryBulb, 0, 10, simkiln.ProbeDrift),
	5:  caused(5),
	6:  plant(0, 1, simkiln.ProbesCrossed),
	7:  plant(0, 3, simkiln.WickDry),
	8:  plant(0, 8, simkiln.WickDirty),
	9:  plant(6*time.Hour, 1, simkiln.HumidityWet),
	10: plant(0, 8, simkiln.HumidityDrift),
	11: probe(hardware.RoleCore, 0, 1, simkiln.ProbeOpen, simkiln.ProbeNoAnswer),
	12: probe(hardware.RoleCore, 0, 1, simkiln.ProbeInAir),
	13: probe(hardware.RoleDryBulb, 2, 1, simkiln.ProbeDuplicate),
	14: probe(hardware.RoleDryBulb, 0, 1, simkiln.ProbePowerOn),
	15: plant(time.Hour, 1, simkiln.BusDown),
	16: caused(16),
	17: probe(hardware.RolePin, 0, 2, simkiln.PinLoose),
	18: plant(time.Second, 5, simkiln.LoadCellSlip),
	19: plant(0, 1, simkiln.CondensateStuck, simkiln.DrainBlocked),
	20: plant(0, 1, simkiln.HoseOff),
	21: plant(0, 1, simkiln.HeaterWeld),
	22: plant(0, 1, simkiln.HeaterOpen),
	23: caused(23),
	24: plant(0, 1, simkiln.FanStop),
	25: plant(0, 1, simkiln.BothDirections),
	26: reverses,
	27: plant(0, 1, simkiln.FanWeak, simkiln.FanBackward),
	28: cycles,
	29: plant(30*time.Minute, 1, simkiln.HighPressureTrip),
	30: plant(30*time.Minute, 1, simkiln.LowPressureTrip),
	31: all(plant(0, 1, simkiln.CoilFouled), plant(time.Second, 1.5, simkiln.CoilIced)),
	32: plant(0, 1, simkiln.CompressorNoEffect),
	33: plant(0, 1, simkiln.CompressorWeld),
	34: plant(0, 1, simkiln.CrankcaseDead),
	35: setLower,
	36: tooHot,
	37: plant(30*time.Minute, 1, simkiln.HighLimit),
	38: plant(10*time.Minute, 1, simkiln.Smoke, simkiln.MachineFire),
	39: plant(10*time.Minute, 1, simkiln.DoorOpen),
	40: all(plant(0, 1, simkiln.DoorContactShut), plant(time.Hour, 1, simkiln.DoorOpen)),
	41: oneOf(plant(time.Minute, 1, simkiln.InsideButton), plant(time.Hour, 1, simkiln.Inhibit)),
	42: plant(20*time.Minute, 1, simkiln.EmergencyStop),
	43: plant(0, 1, simkiln.VentStuckOpen, simkiln.VentStuckShut),
	44: plant(0, 1, simkiln.SprayStuckOn),
	45: plant(0, 1, simkiln.NoWater),
	46: plant(0, 1, simkiln.BreakerFans, simkiln.BreakerHeat, simkiln.BreakerMachine),
	47: plant(10*time.Minute, 1, simkiln.MainsLoss),
	48: plant(30*time.Second, 1, simkiln.BrownOut),
	49: hangs,
	50: dies,
	51: chatters,
	52: caused(52),
	53: diskFails,
	54: stateDamaged,
	55: clockJumps,
	56: ticksLate,
	57: memoryFails,
	58: filesChange,
	59: func(*site, *rand.Rand) error { return nil },
	60: plant(0, 8, simkiln.MisWeigh),
	61: unheard,
	62: plant(48*time.Hour, 1, simkiln.PersonAway),
	63: plant(30*time.Minute, 1, simkiln.RefrigerantGas),
	64: plant(0, 1, simkiln.FloorWater),
}

// instruments lists what rows fail, or speak through: two rows of one line may hide each other. A row may stand in several.
var instruments = [][]int{
	{1, 2, 3, 4, 6, 12, 13, 14, 15, 35, 36}, // dry bulbs
	{5, 6, 7, 8, 9, 10, 15},                 // humidity
	{11, 12, 13, 14, 15, 36},                // cores
	{16, 17},                                // pins
	{18, 59, 60},                            // weights
	{19, 20, 28, 29, 30, 31, 32, 33, 34, 46, 64, 7}, // the heat pump and its water
	{21, 22, 46, 1, 2, 3, 4, 13, 14, 15},            // heat, which a lone dry bulb limits
	{23, 24, 25, 26, 27, 46, 52},                    // fans
	{43, 44, 45, 51, 52},                            // other outputs
	{47, 48, 52},                                    // the mains, which relays fall with
	{39, 40, 41, 42},                                // people
	{49, 50, 51, 53, 54, 55, 56, 57, 58},            // process and disk
	{61, 62, 18, 60},                                // the person
}

// shares tells whether two rows stand in one line of instruments.
func shares(a, b int) bool {
	for _, rows := range instruments {
		if slices.Contains(rows, a) && slices.Contains(rows, b) {
			return true
		}
	}
	return false
}

// chanceRow is the row of wrong weights: how wrong they are is drawn as they are written, so that anything which moves a
// weighing in time draws other errors, which may be too small to be told.
const chanceRow = 60

// cyclingRow is the row whose compressor is taken out and asked for again.
const cyclingRow = 28

// lateRows are those whose ticks come late, or not at all for a while.
var lateRows = []int{49, 56}

// wrongSheet is the row whose charge sheet names a species that the wood is not.
const wrongSheet = 59
