package hardware

// ContactID names one digital input by what its active state means. Wiring and active level are the driver's business.
type ContactID uint8

// Contacts; each comment says what active means.
const (
	ContactAirflow       ContactID = iota // air is proven to move through the load
	ContactBlowerAirflow                  // air is proven to move over the evaporator
	ContactEStop                          // emergency stop pressed
	ContactDoor                           // door open
	ContactHighLimit                      // hard-wired temperature limit tripped
	ContactHighPressure                   // refrigerant high-pressure cut-out open
	ContactLowPressure                    // refrigerant low-pressure cut-out open
	ContactSmoke                          // smoke or fire detector
	ContactGas                            // refrigerant detector
	ContactFloat                          // condensate level or water on the floor
	ContactMains                          // mains present
	ContactInsideButton                   // somebody inside pressed the button
	ContactInhibit                        // local inhibit key: work in the kiln, no start
	ContactPanelReset                     // panel's reset push-button held
	ContactPanelKey                       // panel's key switch in service position
	ContactVentOpen                       // vent end switch: fully open
	ContactVentShut                       // vent end switch: fully shut
	ContactWaterSupply                    // spray water pressure present
	ContactCount
)

var contactNames = [ContactCount]string{"airflow", "blower_airflow", "e_stop", "door", "high_limit", "high_pressure",
	"low_pressure", "smoke", "gas", "float", "mains", "inside_button", "inhibit", "panel_reset", "panel_key",
	"vent_open", "vent_shut", "water_supply"}

// String gives the contact as kiln files write it.
func (c ContactID) String() string { return nameOf(contactNames[:], int(c)) }

// UnmarshalText reads the name that String gives.
func (c *ContactID) UnmarshalText(b []byte) error { return indexOf(contactNames[:], "contact", b, c) }

// ContactSet is a set of contacts.
type ContactSet uint32

// Has tells whether c is in the set.
func (s ContactSet) Has(c ContactID) bool { return s&(1<<c) != 0 }

// With gives the set with c put in or left out.
func (s ContactSet) With(c ContactID, in bool) ContactSet {
	if in {
		return s | 1<<c
	}
	return s &^ (1 << c)
}

// Contacts is the state of all digital inputs. A contact that is fitted but not in Valid could not be read.
type Contacts struct {
	Active, Valid ContactSet
}

// Proven tells that c was read and is active; right for contacts whose active state permits (airflow, mains).
func (c Contacts) Proven(id ContactID) bool { return c.Active.Has(id) && c.Valid.Has(id) }

// Clear tells that c was read and is not active; right for contacts whose active state forbids (door, e-stop).
func (c Contacts) Clear(id ContactID) bool { return !c.Active.Has(id) && c.Valid.Has(id) }
