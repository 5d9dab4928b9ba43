package controller

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"drywarden/controller/demand"
	"drywarden/controller/sequence"
	"drywarden/hardware"
	"drywarden/hardware/quantity"
	"drywarden/schedule"
)

// Names is what a sentence needs beside its figures.
type Names struct {
	Lots   []string                     // of the charge
	Probes []string                     //
	Rule   func(hardware.RuleID) string // name of a rule; nil: its number is said
	Stage  int                          // counted from 1, of the stage that is not over; 0: not said
	US     bool                         // temperatures in Fahrenheit
}

// templates are the sentences by code. {value} and {limit} are printed with one digit; {value C} is a temperature, {left}
// the remaining time with the word "left", {lot}, {rule} and {probe} are names, {holds} the reasons to hold.
var templates = [whyCount]string{
	WhyCode(demand.None):           "no reason was given",
	WhyCode(demand.NotWanted):      "no charge is being worked on",
	WhyCode(demand.NotFitted):      "the kiln has none",
	WhyCode(demand.NotPermitted):   "the stage does not use it now",
	WhyCode(demand.HeldSafe):       "the kiln is held safe",
	WhyCode(demand.NoDryBulb):      "no valid dry bulb",
	WhyCode(demand.NoHumidity):     "no valid humidity source",
	WhyCode(demand.AirWanted):      "the load wants air, {value} % of full speed",
	WhyCode(demand.TooDamp):        "EMC is {value} %, it dries down to {limit} %",
	WhyCode(demand.DryEnough):      "EMC is {value} %, it starts above {limit} %",
	WhyCode(demand.AmbientLimit):   "dry bulb {value C}, the unit's limit is {limit C}",
	WhyCode(demand.TooWarmToDry):   "dry bulb {value C} is too warm, it may run again below {limit C}",
	WhyCode(demand.DutyCapped):     "the rate guard allows {limit} % of the time, it ran {value} %",
	WhyCode(demand.AtFloor):        "the air has {value} % relative humidity, at {limit} % it gave no more water",
	WhyCode(demand.TooCold):        "dry bulb {value C}, it heats up to {limit C}",
	WhyCode(demand.WarmEnough):     "dry bulb {value C}, it heats below {limit C}",
	WhyCode(demand.VentOpen):       "the vent is open",
	WhyCode(demand.LoneProbe):      "one dry bulb alone allows heat for {limit} % of the time, it was on for {value} %",
	WhyCode(demand.TooWarm):        "dry bulb {value C}, it cools in pulses down to {limit C}",
	WhyCode(demand.CoolEnough):     "dry bulb {value C}, it opens above {limit C}",
	WhyCode(demand.OutdoorWarm):    "outdoors is {value C}, only below {limit C} would it cool",
	WhyCode(demand.HeatOn):         "heat is on",
	WhyCode(demand.VentDrying):     "outdoors is drier: EMC is {value} %, it airs in pulses down to {limit} %",
	WhyCode(demand.NoWater):        "no water pressure",
	WhyCode(demand.CompressorRuns): "the compressor runs",
	WhyCode(demand.NoAirflow):      "airflow is not proven",
	WhyCode(demand.TooColdToSpray): "dry bulb {value C}, too cold to spray below {limit C}",
	WhyCode(demand.TooDry):         "EMC is {value} %, it sprays in pulses up to {limit} %",
	WhyCode(demand.DampEnough):     "EMC is {value} %, it starts below {limit} %",

	WhyCode(sequence.NotAllowedYet):     "nothing may move: start-up, door, stop or inhibit key",
	WhyCode(sequence.WarningFirst):      "the sounder warns first, {left}",
	WhyCode(sequence.RunningDown):       "the fans run down before they start again, {left}",
	WhyCode(sequence.AboutToReverse):    "about to change direction, {left}",
	WhyCode(sequence.FansReverse):       "the fans change direction",
	WhyCode(sequence.FansNotRunning):    "the fans do not run yet",
	WhyCode(sequence.MinimumRun):        "minimum run, {left}",
	WhyCode(sequence.MinimumRest):       "minimum rest, {left}",
	WhyCode(sequence.CrankcaseWarming):  "its crankcase is still being warmed, {left}",
	WhyCode(sequence.BlowerFirst):       "the blower's air is proven first",
	WhyCode(sequence.BlowerUnproven):    "the blower moves no air, next try: {left}",
	WhyCode(sequence.WaitsForSpray):     "the spray valve is still open",
	WhyCode(sequence.InputLost):         "an input was just lost, so nothing is asked for that was not on",
	WhyCode(sequence.Defrosting):        "the coil thaws: {value C}, until {limit C}",
	WhyCode(sequence.WithCompressor):    "it runs with the compressor",
	WhyCode(sequence.CompressorRests):   "the compressor rests",
	WhyCode(sequence.LessAirYieldsMore): "in dry air less air over the coil yields more water",
	WhyCode(sequence.FullAir):           "the coil gets full air",
	WhyCode(sequence.LeastInterval):     "it may not change so soon, {left}",
	WhyCode(sequence.Locked):            "it ran without effect, or iced twice: it is being tested, rests or waits for somebody to look",

	WhyWarnsBeforeStart: "it warns before anything starts to move",
	WhyDangerSounds:     "a danger is not yet acknowledged",
	WhyQuiet:            "there is nothing to warn of",
	WhySomethingMoves:   "something moves or may move",
	WhyNothingMoves:     "nothing moves",
	WhySomethingWaits:   "something waits for a person",
	WhyNothingWaits:     "nothing waits for a person",
	WhyMayBeOpened:      "the kiln may be opened",
	WhyMayNotBeOpened:   "the kiln should not be opened",
	WhyByGate:           "it goes on and off while the gate is alive",
	WhyOtherDirection:   "the fans blow the other way",
	WhyVetoed:           "asked for, but refused by {rule}, {left}",

	WhyTested:      "a person tries it, {left}",
	WhyTestNeeds:   "the output that a person tries needs it",
	WhyTestOver:    "the trial of it is over",
	WhyOtherTested: "another output is being tried",

	WhyNoCharge:      "no charge is running",
	WhyChargeDone:    "the schedule is done; the charge waits to be ended",
	WhyStageHeld:     "held: {holds}",
	WhyStageSaving:   "the next stage is being made safe on disk",
	WhyStageRestart:  "steady data are wanted after the outage, {left}",
	WhyStageMoisture: "lot {lot} still {value} %, needs {limit}",
	WhyStageSteady:   "lot {lot} is at {value} % and must stay so, {left}",
	WhyStageDwell:    "least time in the stage, {left}",
	WhyStageRate:     "lot {lot} dries at {value} % of its safe rate",
	WhyStageSigma:    "moisture is known to {value} points only, needs {limit}",
	WhyStageUnknown:  "moisture is not known",
	WhyStageTime:     "time at the set points, {left}",
	WhyStagePoints:   "the air is not yet at its set points",
	WhyStageExposure: "exposure, {left}",
	WhyStageCore:     "coldest core {value C}, needs {limit C}",
	WhyStageCores:    "{value} core probes valid, needs {limit}",
	WhyStageDriest:   "driest sample of lot {lot} still {value} %, needs {limit}",
	WhyStageMean:     "mean of lot {lot} still {value} %, needs {limit}",
	WhyStageWettest:  "wettest sample of lot {lot} still {value} %, needs {limit}",
	WhyStageCooling:  "still {value C}, needs {limit C}",
	WhyStageAir:      "air, door and airflow must be in order first",
}

// Sentence says the reason: "minimum rest, 3 min 10 s left". n may be nil.
func (w Why) Sentence(n *Names) string {
	if n == nil {
		n = &Names{}
	}
	if w.Code >= whyCount || templates[w.Code] == "" {
		return fmt.Sprintf("reason %d", w.Code)
	}
	text := templates[w.Code]
	if w.Remaining <= 0 {
		if cut, ok := strings.CutSuffix(text, ", next try: {left}"); ok {
			text = cut
		} else {
			text = strings.Replace(text, ", {left}", "", 1)
		}
	}
	var b strings.Builder
	for {
		open := strings.IndexByte(text, '{')
		if open < 0 {
			break
		}
		end := open + strings.IndexByte(text[open:], '}')
		b.WriteString(text[:open])
		b.WriteString(w.fill(text[open+1:end], n))
		text = text[end+1:]
	}
	b.WriteString(text)
	return b.String()
}

// fill gives what stands for a word in braces.
func (w Why) fill(word string, n *Names) string {
	switch word {
	case "value":
		return figure(w.Value)
	case "limit":
		return figure(w.Limit)
	case "value C":
		return Degrees(quantity.Celsius(w.Value), n.US)
	case "limit C":
		return Degrees(quantity.Celsius(w.Limit), n.US)
	case "left":
		return Span(w.Remaining) + " left"
	case "lot":
		return nameAt(n.Lots, int(w.Lot), "lot")
	case "probe":
		return nameAt(n.Probes, int(w.Probe), "probe")
	case "rule":
		return ruleName(n, w.Rule)
	case "holds":
		return schedule.Hold(w.Value).String()
	}
	return "{" + word + "}"
}

// OutputSentence says an output's state and why: "compressor off: minimum rest, 3 min 10 s left".
func (w Why) OutputSentence(o hardware.OutputID, on bool, n *Names) string {
	state := "off"
	if on {
		state = "on"
	}
	return strings.ReplaceAll(o.String(), "_", " ") + " " + state + ": " + w.Sentence(n)
}

// StageSentence says why a stage is not over: "stage 3 not over: lot Hollow Creek still 41.2 %, needs 40.0".
func (w Why) StageSentence(n *Names) string {
	if n == nil || n.Stage <= 0 || w.Code == WhyNoCharge || w.Code == WhyChargeDone {
		return w.Sentence(n)
	}
	return fmt.Sprintf("stage %d not over: %s", n.Stage, w.Sentence(n))
}

func ruleName(n *Names, rule hardware.RuleID) string {
	if n.Rule != nil {
		return n.Rule(rule)
	}
	return fmt.Sprintf("rule %d", rule)
}

func nameAt(names []string, i int, noun string) string {
	if i >= 0 && i < len(names) {
		return names[i]
	}
	return fmt.Sprintf("%s %d", noun, i+1)
}

func figure(x float64) string { return strconv.FormatFloat(x, 'f', 1, 64) }

// Degrees writes a temperature for people.
func Degrees(x quantity.Celsius, us bool) string {
	if us {
		return strconv.FormatFloat(x.Fahrenheit(), 'f', 0, 64) + " F"
	}
	return figure(float64(x)) + " C"
}

// Span writes a duration for people, its two greatest units: "3 min 10 s", "2 d 4 h".
func Span(d time.Duration) string {
	d = max(d, 0).Round(time.Second)
	units := [...]struct {
		name string
		size time.Duration
	}{{"d", 24 * time.Hour}, {"h", time.Hour}, {"min", time.Minute}, {"s", time.Second}}
	for i, u := range units {
		n := d / u.size
		if n == 0 && i < len(units)-1 {
			continue
		}
		text := fmt.Sprintf("%d %s", n, u.name)
		if i < len(units)-1 {
			if rest := (d % u.size) / units[i+1].size; rest > 0 {
				text += fmt.Sprintf(" %d %s", rest, units[i+1].name)
			}
		}
		return text
	}
	return "0 s"
}
