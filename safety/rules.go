package safety

import (
	"time"

	"drywarden/hardware"
)

// Rules in order of severity: of several that refuse an output the first is named. Records and the trip store hold names.
const (
	NoRule hardware.RuleID = iota // names none

	// These force OFF.
	EmergencyStop
	Smoke
	AirRisingFast
	AirFarTooHot
	InsideButton
	BothDirectionsEnergised
	HeatWelded
	CompressorWelded
	FanWelded
	WaterOnFloor
	TripRecordUnreadable
	OutputsNotWritten
	ShutDown
	Inhibit
	MainsLost

	// These force SAFE.
	HighLimit
	DryBulbTooHigh
	DryBulbUnknown
	ReadingsStale
	ControllerSilent
	ControllerSilentOften
	FansLost
	FanUnloaded
	OutputsDroppedOften
	LimitsDamaged

	// These refuse some outputs.
	DoorOpen
	GasLeak
	FanNotProven
	FanNotFollowing
	BulbsCrossed
	BulbsIdentical
	HeatDead
	CompressorDead
	CompressorLockout
	HighPressure
	LowPressure
	SprayStuckOpen
	HumidityUnknown
	AirflowStuck
	WaterSupplyLost

	// These only tell.
	OutputNotFollowing
	VentNotFollowing
	ProbeAtPowerOn
	NotFinite
	TripRecordNotSaved

	// These are interlocks, judged on the output vector: they exist only while they refuse something.
	StartDelay
	RestartWarning
	BothDirectionsRequested
	FanCoast
	AirflowHeat
	HeatNearLimit
	HeatDuty
	AirflowCompressor
	BlowerAirflow
	CompressorTooHot
	CompressorTooCold
	CompressorRest
	CompressorStarts
	SprayWithCompressor
	VentDuty
	MinInterval
	NotFitted

	ruleCount
)

// seen is what a condition makes of this tick.
type seen uint8

const (
	fine   seen = iota // nothing there
	blocks             // forces now, latches never
	doubts             // an input cannot be read: forces now, latches when it stays so
	trips              // forces, and latches where the rule is latched
)

// source is what a condition looks at: while all of that is as it should be, it need not be asked.
type source uint8

const (
	fromAnything source = iota
	fromContacts        // that forbid and are clear, or permit and are proven
	fromFeedback        // read-backs and currents that say what was told
	fromRecord          // nothing: it is in force only as latched
	sourceCount
)

// row is one rule.
type row struct {
	id      hardware.RuleID
	name    string
	class   hardware.AlarmClass
	latched bool
	clears  hardware.Authority
	// wait: it may not be cleared sooner after the newest pressure cut-out.
	wait time.Duration
	// ackFirst: a reset is two actions, acknowledge and panel reset.
	ackFirst bool

	// see judges the raw facts; nil for interlocks.
	see  func(p *Plant, s *State, f *facts) seen
	from source
	rise time.Duration // how long trips must be seen before it forces; fills four times as fast as it drains
	ride time.Duration // likewise for doubts
	now  bool          // it forces at once, and only its latch waits for rise

	level  hardware.SafeLevel
	refuse hardware.OutputSet
	tells  bool // interlocks only: a refusal is worth an alarm, as a well-behaved caller never meets it

	needs func(*hardware.Layout) string // words for what is missing, or ""
	text  [4]string                     // seen, done, check first, how long the wood can wait
}

// Sets that rows name.
const (
	allHeatAndRefrigerant = hardware.AllHeat | compressorOut
	compressorOut         = hardware.OutputSet(1) << hardware.Compressor
	blowerOut             = hardware.OutputSet(1) << hardware.Blower
	crankcaseOut          = hardware.OutputSet(1) << hardware.Crankcase
	sprayOut              = hardware.OutputSet(1) << hardware.Spray
	ventOut               = hardware.OutputSet(1) << hardware.Vent
	sounderOut            = hardware.OutputSet(1) << hardware.Sounder
	heartbeatOut          = hardware.OutputSet(1) << hardware.Heartbeat
	contactors            = hardware.AllFans | hardware.AllHeat | compressorOut | blowerOut | crankcaseOut | 1<<hardware.BlowerLow
	// moving is what can hurt somebody inside.
	moving = hardware.AllFans | hardware.AllHeat | compressorOut | blowerOut | sprayOut
	// followers are the outputs without a rule of their own whose feedback is compared with the command.
	followers = blowerOut | crankcaseOut | sprayOut
)

const (
	forcesOff  = hardware.ForcedOff
	forcesSafe = hardware.ForcedSafe
)

const (
	waitsFans    = "While fans run, a day for most woods above fibre saturation, hours for stain-prone ones in warm weather; hours where they stand."
	waitsNoFans  = "Without fans, hours above fibre saturation in warm weather, then mould; days when dry."
	waitsNothing = "Nothing waits for it."

	stillRises = "If it still rises or smells, treat it as a fire: everybody out, do not enter, call the fire service. Else lock out first; then "
	noReclose  = "Never reclose a breaker or RCD that trips again: an electrician."
)

// table is indexed by id - 1; a test holds it to that.
var table = [ruleCount - 1]row{
	{id: EmergencyStop, name: "emergency_stop", class: hardware.Danger, latched: true, clears: hardware.AtPanel,
		from: fromContacts, see: forbidsSurely(hardware.ContactEStop), level: forcesOff, needs: needsContact(hardware.ContactEStop, "emergency-stop contact"),
		text: [4]string{"Emergency stop is pressed, or its contact cannot be read.", "Everything is switched off.",
			"Find out who pressed it and why before you release it; then its wiring.", waitsNoFans}},
	{id: Smoke, name: "smoke", class: hardware.Danger, latched: true, clears: hardware.AtPanel,
		from: fromContacts, see: forbidsSurely(hardware.ContactSmoke), level: forcesOff, needs: needsContact(hardware.ContactSmoke, "smoke or fire detector"),
		text: [4]string{"The smoke or fire detector reports, or cannot be read.", "Everything is switched off, fans too; vents shut.",
			"Everybody out, do not enter, call the fire service. Keep the doors shut.", waitsNoFans}},
	{id: AirRisingFast, name: "air_rising_fast", class: hardware.Danger, latched: true, clears: hardware.AtPanel,
		see: airRisingFast, rise: 15 * time.Second, level: forcesOff, needs: needsTwoAir,
		text: [4]string{"The air grew hotter by more than {limit} K a minute with all heat off; {probe} read {value} C.", "Everything is switched off, fans too; vents shut.",
			"Treat it as a fire: everybody out, do not enter, call the fire service, keep the doors shut. Later, locked out: heaters, fan motors and probes.", waitsNoFans}},
	{id: AirFarTooHot, name: "air_far_too_hot", class: hardware.Danger, latched: true, clears: hardware.AtPanel,
		see: airFarTooHot, rise: 5 * time.Second, level: forcesOff, needs: needsTwoAir,
		text: [4]string{"Two probes of the air read more than {limit} C, {probe} {value} C: hotter than heat that is switched off leaves it.", "Everything is switched off, fans too; vents shut.",
			"Treat it as a fire: everybody out, do not enter, call the fire service, keep the doors shut. Later, locked out: heater contactors, the hard-wired limit and probes.", waitsNoFans}},
	{id: InsideButton, name: "inside_button", class: hardware.Danger, latched: true, clears: hardware.AtPanel, ackFirst: true,
		from: fromContacts, see: forbids(hardware.ContactInsideButton), level: forcesOff,
		needs: needsContact(hardware.ContactInsideButton, "button inside the kiln"),
		text: [4]string{"The button inside the kiln was pressed, or cannot be read: somebody may be inside.", "Everything is switched off.",
			"Look inside, count your people; then acknowledge and press the panel's reset.", waitsNoFans}},
	{id: BothDirectionsEnergised, name: "both_directions_energised", class: hardware.Danger, latched: true, clears: hardware.ByTechnician,
		see: bothDirections, ride: 3 * time.Second, level: forcesOff, needs: needsReadBack(hardware.AllFans),
		text: [4]string{"Both directions of a fan group are energised, or their read-back is lost.", "Everything is switched off.",
			"Lock out first; then a contactor that is welded or stuck, the interlock between the pair, the read-back wiring.", waitsNoFans}},
	{id: HeatWelded, name: "heat_energised_unasked", class: hardware.Danger, latched: true, clears: hardware.ByTechnician,
		from: fromFeedback, see: unasked(hardware.AllHeat), rise: 3 * time.Second, ride: 10 * time.Second, level: forcesOff, needs: needsSense(hardware.AllHeat),
		text: [4]string{"A heater is energised though it is told off, or its feedback is lost.", "Everything is switched off; the master contactor drops.",
			"Lock out first; then the heater contactor, welded or stuck; then its feedback.", waitsNoFans}},
	{id: CompressorWelded, name: "compressor_energised_unasked", class: hardware.Machine, latched: true, clears: hardware.ByTechnician,
		from: fromFeedback, see: unasked(compressorOut), rise: 5 * time.Second, ride: 10 * time.Second, level: forcesOff, needs: needsSense(compressorOut),
		text: [4]string{"The compressor is energised though it is told off, or its feedback is lost.", "Everything is switched off; the master contactor drops.",
			"Lock out first; then the compressor contactor, welded or stuck; then its feedback.", waitsNoFans}},
	{id: FanWelded, name: "fan_energised_unasked", class: hardware.Danger, latched: true, clears: hardware.ByTechnician,
		from: fromFeedback, see: unasked(hardware.AllFans), rise: 3 * time.Second, ride: 10 * time.Second, level: forcesOff, needs: needsSense(hardware.AllFans),
		text: [4]string{"A fan is energised though it is told off, or its feedback is lost.", "Everything is switched off; the master contactor drops.",
			"Keep the door shut. Lock out first; then the fan contactor, welded or stuck; then its feedback.", waitsNoFans}},
	{id: WaterOnFloor, name: "water_on_floor", class: hardware.Danger, latched: true, clears: hardware.AtPanel,
		from: fromContacts, see: forbids(hardware.ContactFloat), level: forcesOff, needs: needsContact(hardware.ContactFloat, "float for condensate or floor water"),
		text: [4]string{"Condensate or floor water stands too high, or the float cannot be read.", "Everything is switched off.",
			"Keep out of the water, it may be live. Main switch off only from a dry place, else an electrician; then drain, trap, pump and hose.", waitsNoFans}},
	{id: TripRecordUnreadable, name: "trip_record_unreadable", class: hardware.Danger, latched: true, clears: hardware.ByTechnician,
		from: fromRecord, see: never, level: forcesOff,
		text: [4]string{"The record of latched trips could not be read or names a rule this program does not know.", "Everything is switched off: any trip may have been in force.",
			"Lock out; then walk round the kiln as before a first start: a technician's trip may have been in force too, gas or a welded contactor.", waitsNoFans}},
	{id: OutputsNotWritten, name: "outputs_not_written", class: hardware.Machine, clears: hardware.ByItself,
		see: notWritten, rise: 3 * time.Second, level: forcesOff,
		text: [4]string{"The outputs cannot be written.", "The heartbeat stops, so the master contactor drops; writing is tried again each tick.",
			"Lock out first; then supply and cable of the relay board.", waitsNoFans}},
	{id: ShutDown, name: "shut_down", class: hardware.Housekeeping, clears: hardware.ByItself,
		see: closedDown, level: forcesOff,
		text: [4]string{"The program is stopping.", "Everything is switched off.", "Whether it was meant.", waitsNoFans}},
	{id: Inhibit, name: "inhibit", class: hardware.Machine, latched: true, clears: hardware.AtPanel,
		from: fromContacts, see: forbids(hardware.ContactInhibit), level: forcesOff, needs: needsContact(hardware.ContactInhibit, "local inhibit key"),
		text: [4]string{"The inhibit key was turned, or cannot be read: work in the kiln.", "Everything is off and stays off.",
			"Who is working there. When all are out: the key back, then the panel's reset.", waitsNoFans}},
	{id: MainsLost, name: "mains_lost", class: hardware.WoodAtRisk, clears: hardware.ByItself,
		from: fromContacts, see: permits(hardware.ContactMains), level: forcesOff, needs: needsContact(hardware.ContactMains, "mains sense"),
		text: [4]string{"The mains are gone, or their sense cannot be read.", "Everything is switched off until they are back.",
			"The supply; the main breaker. " + noReclose, waitsNoFans}},

	{id: HighLimit, name: "high_limit", class: hardware.Danger, latched: true, clears: hardware.AtPanel,
		from: fromContacts, see: forbidsSurely(hardware.ContactHighLimit), level: forcesSafe, needs: needsContact(hardware.ContactHighLimit, "contact of the hard-wired limit"),
		text: [4]string{"The hard-wired temperature limit has tripped, or its contact cannot be read.", "Heat, spray and compressor are off; fans that ran run on, none starts; vents open while too hot.",
			stillRises + "airflow and fans, the heater contactors; reset the limit by hand only when you know why.", waitsFans}},
	{id: DryBulbTooHigh, name: "dry_bulb_too_high", class: hardware.Danger, latched: true, clears: hardware.AtPanel,
		see: tooHigh, rise: 10 * time.Second, level: forcesSafe,
		text: [4]string{"{probe} read {value} C, the limit is {limit} C.", "Heat, spray and compressor are off; fans that ran run on, none starts; vents open while too hot.",
			stillRises + "airflow and fans, vents, heater contactors, the probe.", waitsFans}},
	{id: DryBulbUnknown, name: "dry_bulb_unknown", class: hardware.WoodAtRisk, latched: true, clears: hardware.ByOperator,
		see: dryBulbUnknown, level: forcesSafe,
		text: [4]string{"No dry bulb gives a usable reading.", "Heat, spray and compressor are off; fans that ran run on, none starts.",
			"Lock out before you go in; then plugs and cables of the dry bulbs.", waitsFans}},
	{id: ReadingsStale, name: "readings_stale", class: hardware.WoodAtRisk, latched: true, clears: hardware.ByOperator,
		see: readingsStale, level: forcesSafe,
		text: [4]string{"The newest readings are {value} s old, the limit is {limit} s.", "Heat, spray and compressor are off; fans that ran run on, none starts.",
			"The probe bus and its supply; then the log.", waitsFans}},
	{id: ControllerSilent, name: "controller_silent", class: hardware.WoodAtRisk, clears: hardware.ByItself,
		see: silent, level: forcesSafe,
		text: [4]string{"The controller did not call for {value} s, the limit is {limit} s.", "Heat, spray and compressor went off; 30 s later everything.",
			"The log; load and storage of the computer.", waitsFans}},
	{id: ControllerSilentOften, name: "controller_silent_often", class: hardware.WoodAtRisk, latched: true, clears: hardware.ByOperator,
		see: silentOften, level: forcesSafe,
		text: [4]string{"The controller fell silent three times within an hour.", "Heat, spray and compressor are off; fans that ran run on, none starts.",
			"The log; load, storage and supply of the computer.", waitsFans}},
	{id: FansLost, name: "fans_lost", class: hardware.WoodAtRisk, latched: true, clears: hardware.AtPanel,
		from: fromFeedback, see: fansLost, rise: 8 * time.Second, level: forcesSafe, needs: needsSense(hardware.AllFans),
		text: [4]string{"Two or more fan groups do not run though they are told to.", "Heat, spray and compressor are off; other fans that ran run on, none starts.",
			"Lock out first: a fan may start by itself. Then overloads, fuses and belts. " + noReclose, waitsNoFans}},
	{id: FanUnloaded, name: "fan_unloaded", class: hardware.WoodAtRisk, latched: true, clears: hardware.ByTechnician,
		see: fanUnloaded, rise: 15 * time.Second, level: forcesSafe, needs: needsFanCurrent,
		text: [4]string{"A fan group draws {value} A; at its speed and in such air it should draw {limit} A at least.", "Heat, spray and compressor are off; fans that ran run on, none starts.",
			"Lock out first: fans may run. Then their belts and pulleys, blades, direction of rotation; the voltage, by an electrician.", waitsFans}},
	{id: OutputsDroppedOften, name: "outputs_dropped_often", class: hardware.WoodAtRisk, latched: true, clears: hardware.ByOperator,
		see: outputsDroppedOften, level: forcesSafe, needs: needsReadBack(hardware.AllFans | allHeatAndRefrigerant),
		text: [4]string{"Outputs were three times within an hour found otherwise than told.", "They were told again each time; now heat, spray and compressor are off; fans that ran run on, none starts.",
			"Lock out first; then supply and cable of the relay board, the contactors' auxiliary contacts.", waitsFans}},
	{id: LimitsDamaged, name: "limits_damaged", class: hardware.WoodAtRisk, latched: true, clears: hardware.ByOperator,
		see: limitsDamaged, level: forcesSafe,
		text: [4]string{"The limits in memory, or what is fitted, differ from their second copy.", "Heat, spray and compressor are off; fans that ran run on, none starts.",
			"The computer's memory and supply; start the program afresh.", waitsFans}},

	{id: DoorOpen, name: "door_open", class: hardware.Machine, latched: true, clears: hardware.ByOperator,
		from: fromContacts, see: forbids(hardware.ContactDoor), refuse: moving, needs: needsContact(hardware.ContactDoor, "door contact"),
		text: [4]string{"The door was opened, or its contact cannot be read.", "Fans, blower, heat, compressor and spray are off until somebody says that all are out; the sounder warns first.",
			"Count your people, shut the door; then press the panel's reset, or reset the trip.", waitsNoFans}},
	{id: GasLeak, name: "gas_leak", class: hardware.Danger, latched: true, clears: hardware.ByTechnician,
		from: fromContacts, see: forbids(hardware.ContactGas), refuse: allHeatAndRefrigerant | crankcaseOut | sprayOut,
		needs: needsContactFor(compressorOut, hardware.ContactGas, "refrigerant detector"),
		text: [4]string{"The refrigerant detector reports, or cannot be read.", "Compressor, crankcase heater, heat and spray are off; fans may run.",
			"Everybody out, do not enter; no flame, no switch; a refrigeration technician.", waitsFans}},
	{id: FanNotProven, name: "fan_not_proven", class: hardware.WoodAtRisk, latched: true, clears: hardware.AtPanel,
		see: fanNotProven, rise: 20 * time.Second, refuse: allHeatAndRefrigerant,
		needs: needsContactFor(hardware.AllFans, hardware.ContactAirflow, "airflow proof"),
		text: [4]string{"Fans are told to run, but airflow is not proven.", "Heat and compressor are off.",
			"Lock out first: a fan may start by itself. Then overloads and belts, baffles, the airflow switch. " + noReclose, waitsNoFans}},
	{id: FanNotFollowing, name: "fan_not_following", class: hardware.WoodAtRisk, latched: true, clears: hardware.AtPanel,
		from: fromFeedback, see: fanNotFollowing, rise: 8 * time.Second, refuse: allHeatAndRefrigerant, needs: needsSense(hardware.AllFans),
		text: [4]string{"A fan group does not run though it is told to.", "Heat and compressor are off; the other fans may run.",
			"Lock out first: it may start by itself. Then its overload, fuse and belt. " + noReclose, waitsNoFans}},
	{id: BulbsCrossed, name: "wet_bulb_hotter_than_dry", class: hardware.WoodAtRisk, latched: true, clears: hardware.ByOperator,
		see: bulbsCrossed, rise: 2 * time.Minute, refuse: allHeatAndRefrigerant | sprayOut,
		text: [4]string{"{probe}, a wet bulb, read {value} C, hotter than a dry bulb by more than 0.3 K.", "Heat, compressor and spray are off; fans may run.",
			"Whether wet and dry bulb are exchanged; their calibration.", waitsFans}},
	{id: BulbsIdentical, name: "bulbs_identical", class: hardware.WoodAtRisk, latched: true, clears: hardware.ByOperator,
		see: bulbsIdentical, refuse: allHeatAndRefrigerant | sprayOut,
		text: [4]string{"{probe} and another bulb gave the same readings to the last digit for ten minutes, {value} C at last.", "Heat, compressor and spray are off; fans may run.",
			"The probes' addresses: one sensor may be entered twice.", waitsFans}},
	{id: HeatDead, name: "heat_dead", class: hardware.WoodAtRisk, latched: true, clears: hardware.ByOperator,
		see: dead(hardware.AllHeat, HeatDead, deadHeat), rise: deadHeat, refuse: hardware.AllHeat, needs: needsSense(hardware.AllHeat),
		text: [4]string{"Heat was told on, but nothing flows or its contactor stays open.", "Heat is off; it is tried once more after ten minutes, then no more.",
			"Lock out first: it is tried again by itself. Then breaker, overload and fuses, the hard-wired limit, the elements. " + noReclose, waitsFans}},
	{id: CompressorDead, name: "compressor_dead", class: hardware.WoodAtRisk, latched: true, clears: hardware.ByOperator,
		see: dead(compressorOut, CompressorDead, deadCompressor), rise: deadCompressor, refuse: compressorOut, needs: needsSense(compressorOut),
		text: [4]string{"The compressor was told on, but nothing flows or its contactor stays open.", "It is off; it is tried once more after ten minutes, then no more.",
			"Lock out first: it is tried again by itself. Then breaker, overload and winding protector, the cut-outs, the contactor. " + noReclose, waitsFans}},
	{id: CompressorLockout, name: "compressor_lockout", class: hardware.Machine, latched: true, clears: hardware.ByTechnician,
		from: fromRecord, see: never, refuse: compressorOut, needs: needsContactFor(compressorOut, hardware.ContactHighPressure, "high-pressure cut-out"),
		text: [4]string{"The compressor's cut-outs tripped three times within a day.", "The compressor is locked out.",
			"A refrigeration technician: airflow over the coils, charge, fans.", waitsFans}},
	{id: HighPressure, name: "high_pressure", class: hardware.Machine, latched: true, clears: hardware.AtPanel, wait: 30 * time.Minute,
		from: fromContacts, see: forbids(hardware.ContactHighPressure), refuse: compressorOut,
		needs: needsContactFor(compressorOut, hardware.ContactHighPressure, "high-pressure cut-out"),
		text: [4]string{"The high-pressure cut-out is open, or cannot be read.", "The compressor is off.",
			"Let it cool: it can be reset after half an hour. Kiln too hot for the unit; locked out: air over the condenser.", waitsFans}},
	{id: LowPressure, name: "low_pressure", class: hardware.Machine, latched: true, clears: hardware.ByTechnician,
		from: fromContacts, see: lowPressure, rise: 3 * time.Second, now: true, refuse: compressorOut,
		needs: needsContactFor(compressorOut, hardware.ContactLowPressure, "low-pressure cut-out"),
		text: [4]string{"The low-pressure cut-out is open, or cannot be read.", "The compressor is off.",
			"Lock out first; then ice or dirt on the evaporator, its blower; the charge, by a refrigeration technician.", waitsFans}},
	{id: SprayStuckOpen, name: "spray_energised_unasked", class: hardware.WoodAtRisk, latched: true, clears: hardware.AtPanel,
		from: fromFeedback, see: unasked(sprayOut), rise: 3 * time.Second, ride: 10 * time.Second, refuse: sprayOut | compressorOut, needs: needsSense(sprayOut),
		text: [4]string{"The spray valve is energised though it is told off, or its feedback is lost.", "Spray and compressor are off.",
			"Shut the hand valve. Lock out first; then the spray relay and valve.", waitsFans}},
	{id: HumidityUnknown, name: "humidity_unknown", class: hardware.WoodAtRisk, clears: hardware.ByItself,
		see: humidityUnknown, refuse: compressorOut | sprayOut,
		text: [4]string{"No wet bulb and no humidity probe gives a usable reading.", "Compressor and spray are off.",
			"Wick, water and plugs of the wet bulb; the humidity probe.", waitsFans}},
	{id: AirflowStuck, name: "airflow_stuck", class: hardware.Machine, clears: hardware.ByItself,
		see: airflowStuck, rise: stuckFor, refuse: allHeatAndRefrigerant,
		needs: needsContactFor(hardware.AllFans, hardware.ContactAirflow, "airflow proof"),
		text: [4]string{"Airflow is reported though all fans are off.", "Heat and compressor are refused.",
			"Wind through open vents; locked out: the airflow switch, stuck or bridged.", waitsFans}},
	{id: WaterSupplyLost, name: "water_supply_lost", class: hardware.Housekeeping, clears: hardware.ByItself,
		from: fromContacts, see: permits(hardware.ContactWaterSupply), refuse: sprayOut,
		needs: needsContactFor(sprayOut, hardware.ContactWaterSupply, "water-pressure contact"),
		text: [4]string{"There is no water for the spray, or its contact cannot be read.", "Spray is off.",
			"Tap, filter and hose.", "Equalizing and conditioning wait; drying does not."}},

	{id: OutputNotFollowing, name: "output_not_following", class: hardware.Machine, clears: hardware.ByItself,
		from: fromFeedback, see: notFollowing, rise: 60 * time.Second, needs: needsSense(followers),
		text: [4]string{"An output is told on, but its feedback says off.", "Nothing; the command is repeated each tick.",
			"Lock out first: it may start by itself. Then its fuse, overload and hard-wired cut-outs, the relay. " + noReclose, waitsFans}},
	{id: VentNotFollowing, name: "vent_not_following", class: hardware.Machine, clears: hardware.ByItself,
		see: ventNotFollowing, rise: ventFault, ride: time.Minute, needs: needsVentEnds,
		text: [4]string{"The vents have not reached the end they were told to, or their end switches cannot be read.", "Heat runs at a limited duty while they hang open.",
			"Lock out first: they may move by themselves. Then flaps, drive and end switches.", waitsFans}},
	{id: ProbeAtPowerOn, name: "probe_at_power_on", class: hardware.Machine, clears: hardware.ByItself,
		see: probeAtPowerOn, rise: 10 * time.Second,
		text: [4]string{"{probe} gives exactly {value} C, which such a sensor gives before it has measured.", "That value counts as no reading.",
			"Supply and cable of the probe.", waitsFans}},
	{id: NotFinite, name: "not_finite", class: hardware.Machine, clears: hardware.ByItself,
		see: notFinite,
		text: [4]string{"A reading or a requested fan speed is no usable number ({probe}).", "It is not used; a fan asked for without a usable speed runs at full speed.",
			"Report it with the log: this is a fault of the program.", waitsNothing}},
	{id: TripRecordNotSaved, name: "trip_record_not_saved", class: hardware.Machine, clears: hardware.ByItself,
		see: notSaved,
		text: [4]string{"The record of latched trips cannot be saved.", "Trips act all the same; none can be cleared until it is saved.",
			"Space and health of the computer's storage.", waitsNothing}},

	{id: StartDelay, name: "start_delay", clears: hardware.ByItself,
		text: [4]string{"The program has just started.", "Nothing but the sounder moves yet.", "Nothing.", waitsNothing}},
	{id: RestartWarning, name: "restart_warning", clears: hardware.ByItself,
		text: [4]string{"The sounder has not yet warned with the door shut.", "Fans, blower, heat, compressor and spray wait.",
			"The door is shut and everybody is out.", waitsNothing}},
	{id: BothDirectionsRequested, name: "both_directions_requested", class: hardware.Machine, clears: hardware.ByItself, tells: true,
		text: [4]string{"Both directions of a fan group were asked for.", "The group gets neither.",
			"Report it with the log: this is a fault of the program.", waitsNoFans}},
	{id: FanCoast, name: "fan_coast", clears: hardware.ByItself,
		text: [4]string{"A fan group is still coasting down, or may be.", "The other direction waits.", "Nothing.", waitsNothing}},
	{id: AirflowHeat, name: "airflow_heat", class: hardware.WoodAtRisk, clears: hardware.ByItself, tells: true,
		text: [4]string{"Heat was asked for without proven airflow.", "Heat is off.", "Lock out first: a fan may start by itself. Then fans, baffles, airflow switch.", waitsFans}},
	{id: HeatNearLimit, name: "heat_near_limit", class: hardware.WoodAtRisk, clears: hardware.ByItself, tells: true,
		text: [4]string{"{probe} reads {value} C, heat is refused from {limit} C.", "Heat is off.", "Set point, vents, probe.", waitsFans}},
	{id: HeatDuty, name: "heat_duty", class: hardware.Machine, clears: hardware.ByItself,
		text: [4]string{"No second dry bulb confirms the first, or the vents hang open.", "Heat runs at a limited duty.", "The dry bulbs: one lost, or they disagree; the vents.", waitsFans}},
	{id: AirflowCompressor, name: "airflow_compressor", class: hardware.WoodAtRisk, clears: hardware.ByItself, tells: true,
		text: [4]string{"The compressor was asked for without proven airflow.", "The compressor is off.", "Lock out first: a fan may start by itself. Then fans, baffles, airflow switch.", waitsFans}},
	{id: BlowerAirflow, name: "blower_airflow", class: hardware.Machine, clears: hardware.ByItself, tells: true,
		needs: needsContactFor(compressorOut, hardware.ContactBlowerAirflow, "airflow proof of the evaporator blower"),
		text: [4]string{"The compressor was asked for without proven air over the evaporator.", "The compressor is off.",
			"Lock out first: the blower may start by itself. Then its belt and filter, ice on the coil.", waitsFans}},
	{id: CompressorTooHot, name: "compressor_too_hot", class: hardware.Machine, clears: hardware.ByItself,
		text: [4]string{"{probe} reads {value} C, the unit may run up to {limit} C.", "The compressor is off.", "Vents; whether the schedule suits the unit.", waitsFans}},
	{id: CompressorTooCold, name: "compressor_too_cold", class: hardware.Machine, clears: hardware.ByItself,
		text: [4]string{"{probe} reads {value} C, the unit may run from {limit} C.", "The compressor is off.", "Preheat; doors and walls.", waitsFans}},
	{id: CompressorRest, name: "compressor_rest", clears: hardware.ByItself,
		text: [4]string{"The compressor has not yet rested.", "It waits.", "Nothing.", waitsNothing}},
	{id: CompressorStarts, name: "compressor_starts", class: hardware.Machine, clears: hardware.ByItself, tells: true,
		text: [4]string{"The compressor was asked to start once more than it may in an hour.", "It waits for an hour.", "Why it runs in short bursts.", waitsNothing}},
	{id: SprayWithCompressor, name: "spray_with_compressor", class: hardware.Machine, clears: hardware.ByItself, tells: true,
		text: [4]string{"Spray and compressor were asked for together.", "The one that came later stays off.",
			"Report it with the log: this is a fault of the program.", waitsNothing}},
	{id: VentDuty, name: "vent_duty", clears: hardware.ByItself,
		text: [4]string{"Vents were open with heat on for their share of the hour.", "Vents stay shut while heat is on.", "Nothing.", waitsNothing}},
	{id: MinInterval, name: "min_interval", clears: hardware.ByItself,
		text: [4]string{"The output was switched off a moment ago.", "It waits.", "Nothing.", waitsNothing}},
	{id: NotFitted, name: "not_fitted", class: hardware.Machine, clears: hardware.ByItself, tells: true,
		text: [4]string{"An output was asked for that the kiln does not have.", "It is ignored.",
			"The kiln file; report it with the log.", waitsNothing}},
}

// judged are the rules with a condition, by their source.
var judged = func() (sets [sourceCount]hardware.RuleSet) {
	for i := range table {
		if r := &table[i]; r.see != nil {
			sets[r.from] = sets[r.from].With(r.id, true)
		}
	}
	return sets
}()

// sees are the conditions by rule, close together for the tick.
var sees = func() (list [ruleCount]func(*Plant, *State, *facts) seen) {
	for i := range table {
		list[table[i].id] = table[i].see
	}
	return list
}()

// Rules gives the texts of all safety rules in order of severity.
func Rules() []hardware.RuleText {
	texts := make([]hardware.RuleText, 0, len(table))
	for i := range table {
		r := &table[i]
		texts = append(texts, hardware.RuleText{ID: r.id, Name: r.name, Class: r.class, Clears: r.clears,
			Seen: r.text[0], Done: r.text[1], CheckFirst: r.text[2], WoodWaits: r.text[3]})
	}
	return texts
}

// Latches tells whether the rule stays in force until somebody clears it.
func Latches(rule hardware.RuleID) bool {
	return rule > NoRule && rule < ruleCount && table[rule-1].latched
}

// Name gives a rule's name, "none" for NoRule and for an id that is no safety rule.
func Name(rule hardware.RuleID) string {
	if rule <= NoRule || rule >= ruleCount {
		return "none"
	}
	return table[rule-1].name
}

// Lookup gives the rule of that name; false when there is none.
func Lookup(name string) (hardware.RuleID, bool) {
	for i := range table {
		if table[i].name == name {
			return table[i].id, true
		}
	}
	return NoRule, false
}
