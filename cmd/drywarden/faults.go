package main

import (
	"fmt"
	"math"
	"os"
	"strings"
	"time"

	"drywarden/hardware"
	"drywarden/hardware/quantity"
	"drywarden/hardware/simkiln"
	"drywarden/schedule/sheet"
)

// faultsHelp is told by simulate --help.
const faultsHelp = `--faults reads a TOML file of what is to fail:

  [[fault]]
  kind = "wick_dry"
  start = "3 d"          # after loading
  duration = "6 h"       # left out: until the person mends it
  severity = 1.0         # left out: the usual case
  probe = "dry_bulb_1"   # for faults of one probe
  output = "heat_1"      # for faults of one output

--storm N draws failures at N times the density that kilns show in the field,
from the seed: same seed, same storm. Both may be given. A file with a fault in
it is refused as a whole (exit code 2).

Kinds: `

// faultFile is a file of faults as written.
type faultFile struct {
	Faults []faultEntry `toml:"fault"`
}

type faultEntry struct {
	Kind     simkiln.FaultKind `toml:"kind,required"`
	Start    quantity.Duration `toml:"start,required"`
	Duration quantity.Duration `toml:"duration"`
	Severity float64           `toml:"severity"`
	Probe    string            `toml:"probe"`
	Output   string            `toml:"output"`
}

// readFaults reads the text of a file of faults for a kiln that has these probes and outputs. The error is a *sheet.Faults.
func readFaults(path string, text []byte, layout *hardware.Layout) ([]simkiln.Fault, error) {
	var file faultFile
	s := sheet.Read(path, text, &file)
	if len(file.Faults) == 0 {
		s.Missing("fault", "at least one [[fault]]")
	}
	var faults []simkiln.Fault
	for i := range file.Faults {
		e := &file.Faults[i]
		at := sheet.At("fault", i)
		key := func(name string) string { return sheet.Sub(at, name) }
		f := simkiln.Fault{Kind: e.Kind, Start: e.Start, Duration: e.Duration, Severity: quantity.Ratio(e.Severity)}
		if e.Start < 0 {
			s.Fault(key("start"), e.Start.String(), "0 s or later")
		}
		if e.Duration < 0 || s.Given(key("duration")) && e.Duration < quantity.Duration(time.Second) {
			s.Fault(key("duration"), s.Written(key("duration"), e.Duration.String()), "1 s or more; leave it out for a fault that stays")
		}
		if s.Given(key("severity")) && !(e.Severity > 0 && e.Severity <= 10) {
			s.Fault(key("severity"), fmt.Sprint(e.Severity), "more than 0, at most 10; 1 is the usual case")
		}
		faults = append(faults, f)
		if !s.Good(key("kind")) {
			continue
		}
		ofProbe, role := e.Kind.OfProbe()
		var probes, outputs []string
		for id := range layout.Probes {
			if role == hardware.RoleNone || layout.Probes[id].Role == role {
				probes = append(probes, layout.Probes[id].Name)
				if layout.Probes[id].Name == e.Probe {
					faults[i].Probe = hardware.ProbeID(id)
				}
			}
		}
		for o := range hardware.Heartbeat {
			if layout.ReadBack.Has(o) {
				outputs = append(outputs, o.String())
				if o.String() == e.Output {
					faults[i].Output = o
				}
			}
		}
		part(s, key("probe"), e.Probe, e.Kind, ofProbe, probes)
		part(s, key("output"), e.Output, e.Kind, e.Kind.OfOutput(), outputs)
	}
	return faults, s.Err()
}

// part judges the name of what fails: wanted says whether this kind is of one such thing, known what there is.
func part(s *sheet.Sheet, key, name string, kind simkiln.FaultKind, wanted bool, known []string) {
	switch {
	case wanted && !s.Given(key):
		s.Missing(key, oneOf(known))
	case wanted && !contains(known, name):
		s.Fault(key, fmt.Sprintf("%q", name), oneOf(known))
	case !wanted && s.Given(key):
		s.Fault(key, fmt.Sprintf("%q", name), fmt.Sprintf("nothing: %s is not a fault of one such", kind))
	}
}

func contains(list []string, name string) bool {
	for _, s := range list {
		if s == name {
			return true
		}
	}
	return false
}

func oneOf(list []string) string {
	if len(list) == 0 {
		return "nothing: this kiln has none"
	}
	return "one of " + strings.Join(list, ", ")
}

// addFaults puts a file's faults and a storm's into the simulated kiln. longest is how long the simulation may run.
func (f *simulateFlags) addFaults(s *simulation, longest time.Duration) error {
	layout := s.plant.kiln.Layout()
	var faults []simkiln.Fault
	if f.faults != "" {
		text, err := os.ReadFile(f.faults)
		if err != nil {
			return failf(exitUse, "read the file of faults: %w", err)
		}
		if faults, err = readFaults(f.faults, text, &layout); err != nil {
			return err
		}
	}
	if !(f.storm >= 0) || math.IsInf(f.storm, 0) {
		return failf(exitUse, "--storm is %g, expected 0 or more", f.storm)
	}
	if f.storm > 0 {
		faults = append(faults, simkiln.Storm(s.file.Simulated.Seed, f.storm, longest, &layout)...)
	}
	for _, fault := range faults {
		if err := s.plant.kiln.Inject(fault); err != nil {
			return fail(exitUse, err)
		}
	}
	s.faults = len(faults)
	return nil
}

// kindsOfFaults lists every kind, wrapped for a help text.
func kindsOfFaults() string {
	var names []string
	for _, k := range simkiln.FaultKinds() {
		names = append(names, k.String())
	}
	return strings.TrimSpace(wrap("", strings.Join(names, ", ")+".", "  "))
}
