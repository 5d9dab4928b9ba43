package loop

import (
	"errors"
	"fmt"
	"math/bits"

	"drywarden/controller"
	"drywarden/hardware"
)

// Rules of the shell itself. They force nothing.
const (
	RuleStorage     hardware.RuleID = 240 + iota // control state cannot be saved
	RuleSlowTick                                 // the loop comes late
	RuleInputs                                   // nothing can be read
	RuleClock                                    // the wall clock jumped
	RuleMemory                                   // the configuration in memory was damaged
	RuleUndelivered                              // alarms do not reach the first recipient
)

// Rules gives the texts of all rules but those of safety: the controller's, and the shell's own.
func Rules() []hardware.RuleText {
	return append(controller.Rules(), ownRules()...)
}

func ownRules() []hardware.RuleText {
	return []hardware.RuleText{
		{ID: RuleStorage, Name: "storage", Class: hardware.WoodAtRisk, Clears: hardware.ByItself,
			Seen:       "control state cannot be saved",
			Done:       "the stage stays as it is; commands and stage changes wait until they are safely on disk",
			CheckFirst: "room on the disk, and whether it has become read-only",
			WoodWaits:  "until the stage should change; a power cut now loses the progress since the last save"},
		{ID: RuleSlowTick, Name: "slow_tick", Class: hardware.Machine, Clears: hardware.ByItself,
			Seen:       "the control loop comes late",
			Done:       "time lost is not counted; the gate switches to safe outputs when the loop stops",
			CheckFirst: "what else runs on this computer, its temperature and its supply",
			WoodWaits:  "hours, while it only comes late"},
		{ID: RuleInputs, Name: "inputs", Class: hardware.WoodAtRisk, Clears: hardware.ByItself,
			Seen:       "no input can be read",
			Done:       "every probe and contact counts as unknown; the kiln is held safe",
			CheckFirst: "lock out first; then buses, wiring and the supply of the input boards",
			WoodWaits:  "hours with fans running; green wood that may stain, a day"},
		{ID: RuleClock, Name: "wall_clock_suspect", Class: hardware.Housekeeping, Clears: hardware.ByItself,
			Seen:       "the wall clock jumped against the computer's steady clock within the last hour",
			Done:       "durations go by the steady clock alone; times of day are marked as not trusted",
			CheckFirst: "the computer's clock battery and its time server",
			WoodWaits:  "it need not wait; nothing is controlled by the time of day"},
		{ID: RuleMemory, Name: "configuration_damaged", Class: hardware.WoodAtRisk, Clears: hardware.ByItself,
			Seen:       "the configuration in memory differed from its checksum",
			Done:       "it was taken from its second copy; when that is damaged too, everything is switched off and the files are read afresh",
			CheckFirst: "the computer's memory, supply and heat; start the program afresh",
			WoodWaits:  "it need not wait, but such a computer should not be trusted for long"},
		{ID: RuleUndelivered, Name: "alarm_not_delivered", Class: hardware.WoodAtRisk, Clears: hardware.ByItself,
			Seen: "the first recipient has not been reached for {limit} min; alarms that have reached nobody: {value}",
			Done: "it is tried again and again; the lamp is lit, the second recipient is told, and the sounder sounds when nobody is reached; " +
				"while the kiln is forced off, lamp and sounder are off too",
			CheckFirst: "its program, as the account of this program; network and mail; then the alarms that stand",
			WoodWaits:  "as long as the alarms say that nobody got"},
	}
}

// ruleBook finds the text of a rule by number or name.
type ruleBook struct {
	texts []hardware.RuleText
	at    [256]int16 // index into texts plus one
}

func newRuleBook(texts []hardware.RuleText) (ruleBook, error) {
	book := ruleBook{texts: texts}
	var faults []error
	names := map[string]bool{}
	for i, t := range texts {
		if book.at[t.ID] != 0 {
			faults = append(faults, fmt.Errorf("rules %q and %q have the same number %d", texts[book.at[t.ID]-1].Name, t.Name, t.ID))
		}
		if t.Name == "" || names[t.Name] {
			faults = append(faults, fmt.Errorf("rule %d: name %q is missing or given twice", t.ID, t.Name))
		}
		names[t.Name] = true
		book.at[t.ID] = int16(i + 1)
	}
	return book, errors.Join(faults...)
}

// text gives the zero text for a rule that nobody owns.
func (b *ruleBook) text(id hardware.RuleID) hardware.RuleText {
	if i := b.at[id]; i > 0 {
		return b.texts[i-1]
	}
	return hardware.RuleText{}
}

// name gives the rule's name, or its number when nobody owns it.
func (b *ruleBook) name(id hardware.RuleID) string {
	if i := b.at[id]; i > 0 {
		return b.texts[i-1].Name
	}
	return fmt.Sprintf("unknown_%d", id)
}

func lowest(s hardware.OutputSet) int { return bits.TrailingZeros32(uint32(s)) }
