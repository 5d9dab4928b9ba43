package loop

import (
	"errors"
	"log/slog"
	"time"

	"drywarden/controller"
	"drywarden/controller/store"
	"drywarden/hardware"
	"drywarden/hardware/mono"
	"drywarden/hardware/trace"
	"drywarden/schedule"
)

// Gate is the only way to an output. What it lets through comes back in applied.
type Gate interface {
	Apply(snap *hardware.Snapshot, requested hardware.Outputs, applied *hardware.Applied)
	Ack(rule hardware.RuleID) error
	// Reset accepts or refuses; the trip is cleared when applied.Trips no longer has it.
	Reset(rule hardware.RuleID, who hardware.Authority, reason string) error
	Close() error // everything off
}

// Saver makes images durable, and never makes the tick wait.
type Saver interface {
	Save(image *Image) // takes a copy
	Durable() uint64   // newest generation that is safely on disk
	Failure() error    // of the latest attempt; nil: it went well
}

// Recorder takes what the judge and the charge book need. It copies what it keeps, and never makes the tick wait.
type Recorder interface {
	Header(h *trace.Header) // before the first record, and again when a run starts or ends
	Record(r *trace.Record)
}

// Copies keeps the files that a charge is run by; *store folders do, see KeepIn.
type Copies interface {
	Keep(data []byte) (hash string, err error)
	Kept(hash string) ([]byte, error)
}

// KeepIn keeps copies in a folder of the store.
func KeepIn(fs store.FS) Copies { return copies{fs} }

type copies struct{ fs store.FS }

func (c copies) Keep(data []byte) (string, error) { return store.Keep(c.fs, data) }
func (c copies) Kept(hash string) ([]byte, error) { return store.Kept(c.fs, hash) }

// Deps is all that a loop needs. What is marked optional may be left zero.
type Deps struct {
	Config controller.Config
	Inputs hardware.Inputs
	Gate   Gate
	Saver  Saver
	Pacer  mono.Pacer

	Recorder Recorder // optional

	// Header carries what the loop cannot know: program, kiln, kiln hash, seed, safety rules, limits, and the outage when
	// it is known from outside; otherwise the loop's own measure is filled in where it has one. Name tables, probes, boot and run are filled in by the loop.
	Header trace.Header
	Rules  []hardware.RuleText // of safety; the loop adds all others (Rules)
	Units  string              // us or si, for those who show it; optional
	// Unjudged lists the safety rules whose input is declared not fitted; optional.
	Unjudged []string

	// Prepare turns a charge sheet and its schedules into a plan for this kiln, or says what is wrong with them; optional
	// where no charge is started from files.
	Prepare func(controller.ChargeFiles) (*schedule.Plan, error)
	// Admit may refuse a plan that is about to be started for what counts at that time only, as a calibration that has run
	// out; a run is not lost to it in a restart, whatever the calendar says then. Optional.
	Admit  func(*schedule.Plan) error
	Copies Copies // optional where no charge is started from files
	// KilnFile is the kiln file as run; a copy is kept with each charge. Optional.
	KilnFile controller.File

	Restored *Image // what Restore found; nil: a first start, or unreadable, and Problem says why
	Problem  error  // optional
	// Boot is the number of this start, see store.NextBoot; 0: one more than that of Restored, which a process that died
	// before its first save had too.
	Boot  uint32
	Stamp func() store.Stamp // optional: without it the length of an outage stays unknown
	// Breaks watches how often the program breaks off: at the third start within an hour after an end that was none, only
	// fans run until a person confirms. A daemon sets it; a test that cuts the power all the time does not.
	Breaks bool

	Wall   func() hardware.WallTime // optional: without it wall time is not known
	Log    *slog.Logger             // optional
	Notify Notifier                 // optional: the service manager
	// Courier is optional: without it alarms are told here only.
	Courier Courier

	// PublishEvery is how many ticks pass between two Status, 1 for a live kiln. 0 builds one only in Publish and when an
	// order was answered: in a simulation nobody looks.
	PublishEvery int
	// SaveEvery is the time between two saves of progress; 0: a minute.
	SaveEvery time.Duration
}

// Notifier tells the service manager how things are. Implementations must not block.
type Notifier interface {
	Ready()             // the gate has written its outputs for the first time
	Alive()             // the gate has written its outputs in this tick
	Status(line string) // changed
	Stopping()
}

// Courier tells people elsewhere of alarms.
type Courier interface {
	Delivery() *controller.DeliveryStatus // how that goes; nobody changes it
}

// Validate reports everything that is missing.
func (d *Deps) Validate() error {
	var faults []error
	missing := func(absent bool, what string) {
		if absent {
			faults = append(faults, errors.New("the loop needs "+what))
		}
	}
	missing(d.Inputs == nil, "inputs")
	missing(d.Gate == nil, "a gate")
	missing(d.Saver == nil, "a saver")
	missing(d.Pacer == nil, "a pacer")
	missing(d.Config.Tick <= 0, "a tick longer than 0")
	missing(!(d.Config.Pressure > 0), "the pressure of the station")
	missing(len(d.Config.Layout.Probes) > hardware.MaxProbes, "a layout within the bound of probes")
	missing(d.PublishEvery < 0, "a number of ticks between two status of 0 or more")
	return errors.Join(faults...)
}
