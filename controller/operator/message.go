package operator

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"drywarden/controller"
	"drywarden/hardware"
	"drywarden/hardware/quantity"
)

// Request is one command. Pointers that are nil were not given.
type Request struct {
	Verb    string   `json:"verb"`
	Run     *uint32  `json:"run,omitempty"`   // as status shows it
	Stage   *int     `json:"stage,omitempty"` // as status shows it, counted from 0
	Reason  string   `json:"reason,omitempty"`
	DryBulb *float64 `json:"dry_bulb_celsius,omitempty"` // set
	EMC     *float64 `json:"emc_percent,omitempty"`      // set
	For     *float64 `json:"for_seconds,omitempty"`      // set: until it expires; test: of being on
	Sample  string   `json:"sample,omitempty"`           // weigh: name of the sample board
	Mass    *float64 `json:"mass_kilograms,omitempty"`   // weigh
	Checked bool     `json:"checked,omitempty"`          // weigh: an unlikely weight was checked
	Rule    string   `json:"rule,omitempty"`             // ack, reset: name of the rule
	Output  string   `json:"output,omitempty"`           // test, seen: name of the output
	Matters []string `json:"matters,omitempty"`          // confirm: what of that which status shows as to_confirm
	As      *bool    `json:"as_wanted,omitempty"`        // seen: it did what it should
}

// StartRequest starts a charge from the content of its files: the daemon need not be able to read the caller's.
type StartRequest struct {
	controller.ChargeFiles
	Reason string `json:"reason,omitempty"`
}

// Done answers a change that was made.
type Done struct {
	Verb string `json:"verb"`
	Text string `json:"text"`
}

// Kinds of Error.
const (
	KindRefused  = "refused"   // by the controller, the gate or a limit
	KindInvalid  = "invalid"   // files with faults
	KindRequest  = "request"   // the request itself is wrong
	KindNotReady = "not_ready" // no tick yet, or too busy; try again
	KindNoAnswer = "no_answer" // it may still be done: look at the status
	KindFailed   = "failed"
)

// Error is what went wrong, in one sentence and for programs.
type Error struct {
	Kind    string  `json:"kind"`
	Text    string  `json:"text"`
	Refusal string  `json:"refusal,omitempty"` // name of the reason
	Value   float64 `json:"value,omitempty"`   // what was asked or seen
	Limit   float64 `json:"limit,omitempty"`   // what would be allowed
	Faults  []Fault `json:"faults,omitempty"`  // of files, all of them
}

// Fault is one fault of a file that a person wrote.
type Fault struct {
	File     string `json:"file"`
	Line     int    `json:"line"` // 0: the file as a whole
	Key      string `json:"key"`
	Found    string `json:"found"`
	Expected string `json:"expected"`
}

// Bounds of what may be asked. The controller's own limits are narrower; these only keep nonsense out.
const (
	maxReason   = 500
	maxOverride = 14 * 24 * time.Hour
	maxMass     = 500.0 // kilogram, of one sample board
)

// needs says what each verb must carry, in the order of controller's verbs.
var verbs = []struct {
	verb               controller.Verb
	run, stage, reason bool
	rule, weight, set  bool
	output, as, length bool
	matters            bool
}{
	{verb: controller.VerbEnd, run: true, reason: true},
	{verb: controller.VerbHold, run: true, stage: true, reason: true},
	{verb: controller.VerbResume, run: true, stage: true, reason: true},
	{verb: controller.VerbAdvance, run: true, stage: true, reason: true},
	{verb: controller.VerbBack, run: true, stage: true, reason: true},
	{verb: controller.VerbSet, run: true, stage: true, reason: true, set: true},
	{verb: controller.VerbUnset, run: true, stage: true, reason: true},
	{verb: controller.VerbConfirm, matters: true},
	{verb: controller.VerbWeigh, run: true, weight: true},
	{verb: controller.VerbAck, rule: true},
	{verb: controller.VerbReset, rule: true, reason: true},
	{verb: controller.VerbWarm, reason: true},
	{verb: controller.VerbTest, output: true, length: true},
	{verb: controller.VerbTestEnd},
	{verb: controller.VerbSeen, output: true, as: true, reason: true},
}

// order checks a request against what is running and gives the order; the error lists every fault.
func order(r Request, s *controller.Status, rules []hardware.RuleText) (controller.Order, error) {
	var o controller.Order
	var faults []error
	fault := func(format string, args ...any) { faults = append(faults, fmt.Errorf(format, args...)) }
	i := 0
	for i < len(verbs) && verbs[i].verb.String() != r.Verb {
		i++
	}
	if i == len(verbs) {
		return o, fmt.Errorf("unknown command %q: expected one of %s", r.Verb, verbList())
	}
	need := verbs[i]
	o.Verb, o.Reason = need.verb, strings.TrimSpace(r.Reason)
	if need.reason && o.Reason == "" {
		fault("%s needs a reason", r.Verb)
	}
	if len(o.Reason) > maxReason {
		fault("the reason is longer than %d bytes", maxReason)
	}

	// What was not named is meant for what runs now.
	o.Stage = -1
	if s.Charge != nil {
		o.Run, o.Stage = s.Charge.Run, int8(s.Charge.Stage)
	}
	if r.Run != nil {
		o.Run = *r.Run
	} else if need.run {
		fault("%s needs the run it is meant for", r.Verb)
	}
	if r.Stage != nil {
		if *r.Stage < -1 || *r.Stage > math.MaxInt8 {
			fault("there is no stage %d", *r.Stage)
		}
		o.Stage = int8(*r.Stage)
	} else if need.stage {
		fault("%s needs the stage it is meant for", r.Verb)
	}

	unwanted := func(given bool, key string) {
		if given {
			fault("%s takes no %s", r.Verb, key)
		}
	}
	if need.set {
		o.DryBulb, o.HasDryBulb = given[quantity.Celsius](r.DryBulb)
		o.EMC, o.HasEMC = given[quantity.MoistureContent](r.EMC)
		if !o.HasDryBulb && !o.HasEMC {
			fault("set needs a dry bulb or an EMC")
		}
		if o.HasDryBulb && (o.DryBulb < -50 || o.DryBulb > 150) {
			fault("a dry bulb of %v is none of a kiln", o.DryBulb)
		}
		if o.HasEMC && (o.EMC < 0 || o.EMC > 40) {
			fault("an EMC of %v is none of air", o.EMC)
		}
	} else {
		unwanted(r.DryBulb != nil, "dry bulb")
		unwanted(r.EMC != nil, "EMC")
	}
	switch {
	case !need.set && !need.length:
		unwanted(r.For != nil, "expiry")
	case r.For == nil:
		fault("%s needs an expiry", r.Verb)
	case !(*r.For > 0 && *r.For <= maxOverride.Seconds()):
		fault("an expiry after %g s is not between 0 and %g s", *r.For, maxOverride.Seconds())
	default:
		o.For = time.Duration(*r.For * float64(time.Second))
	}
	if need.weight {
		if o.Sample = sample(r.Sample, s); o.Sample < 0 {
			fault("there is no sample board %q in the charge", r.Sample)
		}
		if r.Mass == nil || *r.Mass <= 0 || *r.Mass > maxMass {
			fault("weigh needs a mass between 0 and %g kg", maxMass)
		} else {
			o.Mass = quantity.Kilogram(*r.Mass)
		}
		o.Recheck = r.Checked
	} else {
		unwanted(r.Sample != "", "sample board")
		unwanted(r.Mass != nil, "mass")
	}
	if need.rule {
		id, ok := rule(r.Rule, rules)
		if !ok {
			fault("there is no rule %q", r.Rule)
		}
		o.Rule = id
	} else {
		unwanted(r.Rule != "", "rule")
	}
	if need.output {
		if err := o.Output.UnmarshalText([]byte(r.Output)); err != nil {
			fault("%w", err)
		}
	} else {
		unwanted(r.Output != "", "output")
	}
	if need.matters {
		var err error
		if o.Matters, err = controller.MattersNamed(r.Matters); err != nil {
			fault("%w", err)
		} else if o.Matters == 0 {
			fault("%s needs what it confirms, of %s", r.Verb, strings.Join(controller.MatterNames(), ", "))
		}
	} else {
		unwanted(r.Matters != nil, "matters")
	}
	if need.as {
		if r.As == nil {
			fault("%s needs to be told whether it was as wanted", r.Verb)
		} else {
			o.AsWanted = *r.As
		}
	} else {
		unwanted(r.As != nil, "as_wanted")
	}
	return o, errors.Join(faults...)
}

func given[T ~float64](v *float64) (T, bool) {
	if v == nil {
		return 0, false
	}
	return T(*v), true
}

func sample(name string, s *controller.Status) int8 {
	if s.Charge != nil {
		for i, b := range s.Charge.Samples {
			if b.Name == name {
				return int8(i)
			}
		}
	}
	return -1
}

func rule(name string, rules []hardware.RuleText) (hardware.RuleID, bool) {
	for _, r := range rules {
		if r.Name == name {
			return r.ID, true
		}
	}
	return 0, false
}

func verbList() string {
	names := make([]string, len(verbs))
	for i, v := range verbs {
		names[i] = v.verb.String()
	}
	return strings.Join(names, ", ")
}
