package loop

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"drywarden/controller"
	"drywarden/controller/estimate"
	"drywarden/controller/store"
	"drywarden/hardware"
	"drywarden/hardware/quantity"
	"drywarden/schedule"
)

// imageFormat is the version of Image as written. State holds numbers for names; Names says what they stood for.
const imageFormat = 1

// Image is what is kept over a restart: the control state, and what is needed to read it.
type Image struct {
	Format   int         `json:"format"`
	Program  string      `json:"program"`
	KilnHash string      `json:"kiln_hash"` // of the kiln file as run
	Names    Names       `json:"names"`
	Boot     uint32      `json:"boot"`
	Stamp    store.Stamp `json:"saved_at"`
	Clean    bool        `json:"clean"` // the process that saved it was ending as it should
	// Unclean lists the last starts after one that did not, the newest first.
	Unclean [uncleanMost]store.Stamp `json:"unclean_starts"`
	LastRun uint32                   `json:"last_run"` // id given out last

	Run  *RunFiles `json:"run"`  // of State.Run, nil when there is none
	Next *RunFiles `json:"next"` // of a charge whose start is pending

	DryBulb   quantity.Celsius `json:"dry_bulb_celsius"` // at the save, for the cooling estimate
	DryBulbOK bool             `json:"dry_bulb_valid"`

	State controller.State `json:"state"`
}

// Three unclean starts within an hour are too many.
const (
	uncleanMost = 3
	uncleanIn   = time.Hour
)

// began notes this start, and tells that it is one too many: a program that breaks again and again must not switch
// machines on each time.
func (m *Image) began(now store.Stamp) (often bool) {
	clean := m.Clean
	m.Clean = false
	if clean || now.BootID == "" && !now.WallTrusted {
		return false
	}
	copy(m.Unclean[1:], m.Unclean[:uncleanMost-1])
	m.Unclean[0] = now
	oldest := m.Unclean[uncleanMost-1]
	if oldest == (store.Stamp{}) {
		return false
	}
	length, known := store.Outage(oldest, now, 0)
	return known && length <= uncleanIn
}

// RunFiles says which files a run goes by. Plan is what they came to; it is made again from the copies after a restart.
type RunFiles struct {
	ID        uint32         `json:"id"`
	Kiln      KeptFile       `json:"kiln"` // as run when the charge was started
	Charge    KeptFile       `json:"charge"`
	Schedules []KeptFile     `json:"schedules"`
	PlanHash  string         `json:"plan_hash"`
	Plan      *schedule.Plan `json:"-"`
}

// KeptFile is a copy of a file: its name as given, and the hash by which the copy is found.
type KeptFile struct {
	Name string `json:"name"`
	Hash string `json:"hash"`
}

// Names lists what the numbers in State stand for.
type Names struct {
	Rules   []NamedRule `json:"rules"`
	Probes  []string    `json:"probes"` // role and name
	Modes   []string    `json:"modes"`
	Verbs   []string    `json:"verbs"`
	Kinds   []string    `json:"stage_kinds"`
	Outputs []string    `json:"outputs"`
}

// NamedRule is a rule's number and name.
type NamedRule struct {
	ID   hardware.RuleID `json:"id"`
	Name string          `json:"name"`
}

func namesOf(cfg *controller.Config, rules []hardware.RuleText) Names {
	n := Names{Modes: controller.ModeNames(), Verbs: verbNames(), Kinds: schedule.KindNames(), Outputs: outputNames()}
	for _, r := range rules {
		n.Rules = append(n.Rules, NamedRule{r.ID, r.Name})
	}
	for _, p := range cfg.Layout.Probes {
		n.Probes = append(n.Probes, p.Role.String()+" "+p.Name)
	}
	return n
}

// Encode gives the image as it is written to a slot. It fails when a number is not finite.
func (m *Image) Encode() ([]byte, error) {
	m.Format = imageFormat
	data, err := json.Marshal(m)
	if err != nil {
		return nil, fmt.Errorf("write control state: %w", err)
	}
	return data, nil
}

// DecodeImage reads what Encode wrote.
func DecodeImage(data []byte) (*Image, error) {
	var version struct {
		Format int `json:"format"`
	}
	if err := json.Unmarshal(data, &version); err != nil {
		return nil, fmt.Errorf("read control state: %w", err)
	}
	if version.Format != imageFormat {
		return nil, fmt.Errorf("read control state: format %d, this program reads %d", version.Format, imageFormat)
	}
	strict := json.NewDecoder(bytes.NewReader(data))
	strict.DisallowUnknownFields() // a state that this program knows only in part is one that it does not know
	var m Image
	if err := strict.Decode(&m); err != nil {
		return nil, fmt.Errorf("read control state: %w", err)
	}
	return &m, nil
}

// Restore gives the newest image of the slots. Nothing saved yet is no error and no image.
func Restore(slots *store.Slots) (*Image, error) {
	found, err := slots.Load()
	if errors.Is(err, store.ErrEmpty) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	return DecodeImage(found.Data)
}

// adopt makes an image of another process fit this one. Changed tells that the kiln is not as it was; an error that the
// state cannot be used.
func (m *Image) adopt(names Names, kilnHash string) (changed bool, err error) {
	for _, table := range []struct {
		what     string
		old, now []string
	}{
		{"modes", m.Names.Modes, names.Modes}, {"commands", m.Names.Verbs, names.Verbs},
		{"stage kinds", m.Names.Kinds, names.Kinds}, {"outputs", m.Names.Outputs, names.Outputs},
	} {
		if !begins(table.now, table.old) {
			return false, fmt.Errorf("control state was written by %s, which has other %s", m.Program, table.what)
		}
	}
	changed = m.KilnHash != kilnHash
	if !begins(names.Probes, m.Names.Probes) {
		// What was learnt of one probe must not be believed of another. Weights have to be given again.
		m.State.Estimate = estimate.State{}
		changed = true
	}
	for i := range m.State.Alarms {
		rule := &m.State.Alarms[i].Rule
		if i >= int(m.State.AlarmCount) {
			break
		}
		id, ok := renumber(*rule, m.Names.Rules, names.Rules)
		changed = changed || !ok
		*rule = id
	}
	return changed, nil
}

func renumber(id hardware.RuleID, old, now []NamedRule) (hardware.RuleID, bool) {
	was := slices.IndexFunc(old, func(r NamedRule) bool { return r.ID == id })
	if was < 0 {
		return id, false
	}
	is := slices.IndexFunc(now, func(r NamedRule) bool { return r.Name == old[was].Name })
	if is < 0 {
		return id, false
	}
	return now[is].ID, true
}

func begins(now, old []string) bool { return len(old) <= len(now) && slices.Equal(now[:len(old)], old) }

// verbNames lists the verbs by number. Verb has a name for each number until the first that it does not know.
func verbNames() []string {
	var names []string
	for v := controller.VerbNone; v.String() != "unknown"; v++ {
		names = append(names, v.String())
	}
	return names
}

func outputNames() []string {
	names := make([]string, hardware.OutputCount)
	for o := range names {
		names[o] = hardware.OutputID(o).String()
	}
	return names
}

func contactNames() []string {
	names := make([]string, hardware.ContactCount)
	for c := range names {
		names[c] = hardware.ContactID(c).String()
	}
	return names
}
