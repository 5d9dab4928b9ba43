package kilnfile

import (
	"time"

	"drywarden/hardware"
	"drywarden/schedule"
	"drywarden/schedule/sheet"
)

// Due is from when on a probe is not to be believed for a heat treatment: a year after its calibration, unless the file
// says otherwise; the zero time when it was never calibrated. A year is common practice, no source.
func (p *Probe) Due() time.Time {
	if !p.Recalibrate.IsZero() || p.Calibrated.IsZero() {
		return p.Recalibrate
	}
	return p.Calibrated.AddDate(1, 0, 0)
}

// CheckCalibration tells which probes of a board cannot be believed for the heat treatment that plan holds, as of now. A
// plan without one, and a simulated kiln, have no fault. The error is a *sheet.Faults.
func (f *File) CheckCalibration(plan *schedule.Plan, now time.Time) error {
	if f.Hardware.Kind != Board {
		return nil
	}
	treats := false
	for i := range plan.Schedule.Stages {
		treats = treats || plan.Schedule.Stages[i].Kind == schedule.Heat && plan.Schedule.Stages[i].Exposure > 0
	}
	if !treats {
		return nil
	}
	var faults sheet.Faults
	for i := range f.Probes {
		p := &f.Probes[i]
		if p.Role != hardware.RoleCore && p.Role != hardware.RoleDryBulb {
			continue
		}
		found := ""
		switch due := p.Due(); {
		case p.Calibrated.IsZero() && due.IsZero():
			found = "probe " + p.ID + " was never calibrated"
		case !due.After(now):
			found = "the calibration of probe " + p.ID + " ran out on " + due.Format(time.DateOnly)
		default:
			continue
		}
		faults.List = append(faults.List, sheet.Fault{File: f.path, Line: p.line, Key: sheet.Sub(sheet.At("probe", i), "calibrated"), Found: found,
			Expected: "a calibration that holds on " + now.Format(time.DateOnly) + ": the charge has a heat treatment"})
	}
	return faults.Err()
}
