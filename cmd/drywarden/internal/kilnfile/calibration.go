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

// CheckDates tells which probes of a board were calibrated on a day that has not come yet, anywhere on Earth: such a date
// would make an old calibration hold for years. The error is a *sheet.Faults.
func (f *File) CheckDates(now time.Time) error {
	if f.Hardware.Kind != Board {
		return nil
	}
	var faults sheet.Faults
	for i := range f.Probes {
		if f.Probes[i].future(now) {
			faults.List = append(faults.List, f.dated(i, f.Probes[i].Calibrated.Format(time.DateOnly), "a day that has been: today is "+now.Format(time.DateOnly)))
		}
	}
	return faults.Err()
}

// future tells that the probe's calibration lies ahead of now in every time zone.
func (p *Probe) future(now time.Time) bool { return p.Calibrated.After(now.Add(14 * time.Hour)) }

func (f *File) dated(i int, found, expected string) sheet.Fault {
	return sheet.Fault{File: f.path, Line: f.Probes[i].line, Key: sheet.Sub(sheet.At("probe", i), "calibrated"), Found: found, Expected: expected}
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
		case p.future(now):
			found = "the calibration of probe " + p.ID + " on " + p.Calibrated.Format(time.DateOnly) + ", a day that has not been"
		case p.Calibrated.IsZero() && due.IsZero():
			found = "probe " + p.ID + " was never calibrated"
		case !due.After(now):
			found = "the calibration of probe " + p.ID + " ran out on " + due.Format(time.DateOnly)
		default:
			continue
		}
		faults.List = append(faults.List, f.dated(i, found, "a calibration that holds on "+now.Format(time.DateOnly)+": the charge has a heat treatment"))
	}
	return faults.Err()
}
