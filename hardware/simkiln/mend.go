package simkiln

// Mend ends every fault that is there now, as somebody does who repairs them all, and calls off those still to come. It
// acts with the next Advance.
func (k *Kiln) Mend() {
	for i := range k.s.Faults {
		f := &k.s.Faults[i]
		if f.Active {
			f.MendAt = max(k.s.Now, 1)
		} else {
			f.Over = true
		}
	}
	k.s.FaultCheck = 0
}
