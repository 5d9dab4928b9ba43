package simkiln

import (
	"encoding/gob"
	"fmt"
	"io"
)

// savedFormat changes whenever the state's meaning does.
const savedFormat = 3

// Clone gives an independent kiln in the same state: both go on alike as long as they are told alike.
func (k *Kiln) Clone() *Kiln {
	c := *k
	c.s.Faults = append([]faultState(nil), k.s.Faults...)
	c.s.Samples = append([]sampleState(nil), k.s.Samples...)
	c.s.Done = append(make([]Action, 0, cap(k.s.Done)), k.s.Done...)
	c.doneOut = nil
	c.wood = k.wood.clone()
	return &c
}

// savedKiln is what Save writes: the configuration comes with it, so that Load needs nothing else.
type savedKiln struct {
	Format int
	Config Config
	State  state
	Wood   wood
}

// Save writes the whole kiln, random generators included. Errors are those of the writer.
func (k *Kiln) Save(to io.Writer) error {
	if err := gob.NewEncoder(to).Encode(savedKiln{savedFormat, k.cfg, k.s, k.wood}); err != nil {
		return fmt.Errorf("save simulated kiln: %w", err)
	}
	return nil
}

// Load reads what Save wrote, over this kiln. On an error the kiln is as before.
func (k *Kiln) Load(from io.Reader) error {
	var saved savedKiln
	if err := gob.NewDecoder(from).Decode(&saved); err != nil {
		return fmt.Errorf("load simulated kiln: %w", err)
	}
	if saved.Format != savedFormat {
		return fmt.Errorf("load simulated kiln: format %d, expected %d", saved.Format, savedFormat)
	}
	fresh, err := New(saved.Config)
	if err != nil {
		return fmt.Errorf("load simulated kiln: %w", err)
	}
	if saved.Wood.Count != fresh.wood.Count || saved.Wood.Nodes != fresh.wood.Nodes || len(saved.Wood.M) != len(fresh.wood.M) {
		return fmt.Errorf("load simulated kiln: %d boards of %d nodes, the configuration has %d of %d", saved.Wood.Count,
			saved.Wood.Nodes, fresh.wood.Count, fresh.wood.Nodes)
	}
	done := append(fresh.s.Done[:0], saved.State.Done...)
	fresh.s, fresh.wood = saved.State, saved.Wood
	fresh.s.Done = done
	*k = *fresh
	return nil
}
