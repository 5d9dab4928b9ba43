package store

import (
	"encoding/json"
	"errors"
	"fmt"
)

// Trips keeps the names of latched trips, by the same two slots as control state but in files of its own: they must
// survive when the control state does not.
type Trips struct{ slots *Slots }

// NewTrips keeps trips in fs.
func NewTrips(fs FS) *Trips { return &Trips{NewSlots(fs, "trips")} }

// LoadTrips gives the names saved last; none when nothing was ever saved. An error means that it is not known which trips
// were latched.
func (t *Trips) LoadTrips() ([]string, error) {
	image, err := t.slots.Load()
	if errors.Is(err, ErrEmpty) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	if image.Spoiled != nil {
		// The slot that is gone may have been the newer one, with a trip that this one lacks.
		return nil, &DamagedError{Name: "trips", Faults: []error{image.Spoiled}}
	}
	var names []string
	if err := json.Unmarshal(image.Data, &names); err != nil {
		return nil, fmt.Errorf("load trips: %w", err)
	}
	return names, nil
}

// SaveTrips makes the list durable, whole.
func (t *Trips) SaveTrips(names []string) error {
	if names == nil {
		names = []string{}
	}
	data, err := json.Marshal(names)
	if err != nil {
		return fmt.Errorf("save trips: %w", err)
	}
	return t.slots.Save(0, data)
}
