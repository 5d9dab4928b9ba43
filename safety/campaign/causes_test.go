package campaign

import (
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/hardware"
	"drywarden/hardware/quantity"
	"drywarden/hardware/simkiln"
)

// cause makes a row's failure happen in a whole kiln: by faults of the simulated kiln. What happens to the program itself
// is in ownShows.
type cause struct {
	faults []happening
	none   string // why it cannot be made to happen in a whole kiln from outside; there are no faults then
}

// happening is one fault of the simulated kiln, of the n-th probe of a role or of an output where the kind wants one.
type happening struct {
	kind     simkiln.FaultKind
	severity quantity.Ratio
	role     hardware.Role
	nth      int
	output   hardware.OutputID
	after    time.Duration // from the injection
	last     time.Duration // 0: until it is mended
}

// faultsOf gives the faults for a kiln, beginning so long after its start.
func (c *cause) faultsOf(t require.TestingT, layout *hardware.Layout, start time.Duration) []simkiln.Fault {
	var list []simkiln.Fault
	for _, h := range c.faults {
		f := simkiln.Fault{Kind: h.kind, Severity: h.severity, Output: h.output, Start: quantity.Duration(start + h.after), Duration: quantity.Duration(h.last)}
		if is, role := h.kind.OfProbe(); is {
			if h.role != hardware.RoleNone {
				role = h.role
			}
			ids := layout.ByRole(role)
			require.Less(t, h.nth, len(ids), "%s: too few probes", h.kind)
			f.Probe = ids[h.nth]
		}
		list = append(list, f)
	}
	return list
}

// happen lets a row's failure come now.
func (s *site) happen(row int) {
	c := &causes[row]
	require.Empty(s.t, c.none)
	s.injectAll(c)
}

func (s *site) injectAll(c *cause) {
	s.began, s.was = s.kiln.Now(), *s.record
	for _, f := range c.faultsOf(s.t, &s.deps.Config.Layout, s.kiln.Now()) {
		require.NoError(s.t, s.kiln.Inject(f))
	}
}

func fault(kind simkiln.FaultKind) cause { return cause{faults: []happening{{kind: kind}}} }

func faultOf(kind simkiln.FaultKind, severity quantity.Ratio, role hardware.Role) cause {
	return cause{faults: []happening{{kind: kind, severity: severity, role: role}}}
}

// causes says for every row of the table of failures how it is made to happen. Row 1 is causes[1].
var causes = [65]cause{
	1:  {faults: []happening{{kind: simkiln.ProbeOpen, role: hardware.RoleDryBulb}, {kind: simkiln.ProbeOpen, role: hardware.RoleDryBulb, nth: 1, after: 5 * time.Minute}}},
	2:  faultOf(simkiln.ProbeStuck, 1, hardware.RoleDryBulb),
	3:  faultOf(simkiln.ProbeNoise, 1, hardware.RoleDryBulb),
	4:  faultOf(simkiln.ProbeDrift, 10, hardware.RoleDryBulb), // 10 K a day
	5:  {faults: []happening{{kind: simkiln.ProbeOpen, role: hardware.RoleWetBulb}, {kind: simkiln.ProbeOpen, role: hardware.RoleHumidity, after: 5 * time.Minute}}},
	6:  fault(simkiln.ProbesCrossed),
	7:  faultOf(simkiln.WickDry, 2, hardware.RoleNone),
	8:  faultOf(simkiln.WickDirty, 10, hardware.RoleNone), // 1 K a day
	9:  fault(simkiln.HumidityWet),
	10: faultOf(simkiln.HumidityDrift, 10, hardware.RoleNone), // 10 % a day
	11: faultOf(simkiln.ProbeOpen, 1, hardware.RoleCore),
	12: faultOf(simkiln.ProbeInAir, 1, hardware.RoleCore),
	13: faultOf(simkiln.ProbeDuplicate, 1, hardware.RoleDryBulb),
	14: faultOf(simkiln.ProbePowerOn, 1, hardware.RoleDryBulb),
	15: fault(simkiln.BusDown),
	16: faultOf(simkiln.PinLeak, 10, hardware.RoleNone),
	17: faultOf(simkiln.PinLoose, 1, hardware.RolePin),
	18: fault(simkiln.LoadCellSlip),
	19: fault(simkiln.CondensateStuck),
	20: fault(simkiln.HoseOff),
	21: fault(simkiln.HeaterWeld),
	22: fault(simkiln.HeaterOpen),
	23: {faults: []happening{{kind: simkiln.OutputOpen, output: hardware.FanForward2}, {kind: simkiln.OutputOpen, output: hardware.FanReverse2}}},
	24: fault(simkiln.FanStop),
	25: fault(simkiln.BothDirections),
	26: {none: "the controller itself waits for the fans to coast down: it never asks too early"},
	27: fault(simkiln.FanWeak),
	28: {none: "the controller itself keeps the rest and counts the starts: it never asks too often"},
	29: fault(simkiln.HighPressureTrip),
	30: fault(simkiln.LowPressureTrip),
	31: {faults: []happening{{kind: simkiln.CoilFouled}, {kind: simkiln.CoilIced}}},
	32: fault(simkiln.CompressorNoEffect),
	33: fault(simkiln.CompressorWeld),
	34: fault(simkiln.CrankcaseDead),
	35: {faults: []happening{{kind: simkiln.HeaterWeld}, {kind: simkiln.VentStuckShut}}}, // in a kiln whose heaters are neither read back nor measured
	36: {faults: []happening{{kind: simkiln.HeaterWeld}, {kind: simkiln.VentStuckShut}}}, // likewise
	37: fault(simkiln.HighLimit),
	38: faultOf(simkiln.MachineFire, 1, hardware.RoleNone),
	39: fault(simkiln.DoorOpen),
	40: {faults: []happening{{kind: simkiln.DoorContactShut}, {kind: simkiln.DoorOpen}}},
	41: fault(simkiln.InsideButton),
	42: fault(simkiln.EmergencyStop),
	43: fault(simkiln.VentStuckOpen),
	44: fault(simkiln.SprayStuckOn),
	45: fault(simkiln.NoWater),
	46: fault(simkiln.BreakerFans),
	47: {faults: []happening{{kind: simkiln.MainsLoss, last: 10 * time.Minute}}},
	48: {faults: []happening{{kind: simkiln.BrownOut, last: 10 * time.Minute}}},
	// 49 to 61 happen to the program, its computer, its files and its people: ownShows.
	52: {faults: []happening{{kind: simkiln.RelayReset}, {kind: simkiln.RelayReset, after: 10 * time.Minute}, {kind: simkiln.RelayReset, after: 20 * time.Minute}}},
	62: faultOf(simkiln.ProbeOpen, 1, hardware.RoleCore), // any alarm that nobody answers
	63: fault(simkiln.RefrigerantGas),
	64: fault(simkiln.FloorWater),
}

// differs says where an end is not what one might expect, and why.
var differs = [65]string{
	9:  "with the wet bulb lost too, a saturated probe cannot be told from damp air at once: until the machine has given far too little water for air so damp, six hours in this kiln, it dries on by the probe, at worst to what the machine can do. Then compressor and spray are off and the stage is held.",
	12: "a probe that has come out of the wood reads like wood while the air is steady: nothing tells until the air bends. It is found within an hour where fans are reversed and the compressor comes and goes.",
	18: "load cells are shown and never believed: no weight of theirs has to be rejected.",
	19: "water on the floor switches everything off, not the compressor alone: it may stand at cables.",
	20: "a hose that is off is told by the water that does not come, within the hour; one that loses half is told within a day by the machine's yield, if it held before. One that has lost half since the start looks like a smaller machine: only the share of the water that arrives tells, which is learnt over days and from weighings; after the mending it takes days too, and with wood that is nearly dry that alarm stays until the next charge begins.",
	21: "everything goes off at once, fans too: the one contactor above the welded one is the master contactor, and it takes all. The siren must be the master contactor's own.",
	24: "heat is off within 10 s and the compressor within 30 s; the trip that keeps them off latches after 20 s, so that a gust or a reversal does not need a person.",
	27: "a slipping belt relieves its motor, and the current tells; it is asked of the kiln file what a fan group draws at full speed. A fan that turns the wrong way still draws most of that, and no difference of pressure and no direction of rotation is measured: it is found when the outputs are tried one by one, or by the airflow switch when the air fails.",
	33: "as with a welded heater: the master contactor takes everything.",
	38: "without a detector the rise of the air alone is judged: more than 5 K a minute and 2 K beyond that, on two probes, with all heat off for a minute, for 15 s; a fire that begins while heat is on is found when two probes of the air are 10 K over the software's limit, for 5 s. The siren must be the detector's own.",
	46: "the program cannot tell a tripped breaker from an overload or a broken wire: heat and compressor are tried once more after 10 min, then never. It cannot close a breaker.",
	48: "a voltage relay has one contact: fans go off together with heat and compressor, not at a lower voltage.",
	49: "the deadline is 5 s, looked at four times a second; the contactors need up to a second more. That the computer is started afresh is the service manager's and a hardware watchdog's.",
	50: "a program that ends without a word says nothing: its heartbeat stops, and the heartbeat's relay opens the master contactor 3 s later. After three starts within an hour fans alone run, and that stays until a person confirms.",
	57: "a damaged configuration is taken from its second copy; when both are damaged, or the plan is, everything is switched off and the program ends: its next start reads the files afresh.",
	58: "the one thing that answers on a network is the page of metrics, which takes no order and may be switched off.",
	59: "wood that dries faster than the sheet's is found within a day, a moisture that is not the sheet's at the start; wood that dries slower only on the fourth day: a day of rate and a day of patience come after two in which any green wood dries fast.",
	62: "after 18 h, and within the hours that follow: 5 K and 2 points at once would be a shock of their own.",
}
