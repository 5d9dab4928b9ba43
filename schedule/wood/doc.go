// Package wood holds what is known of moist air and of wood, as pure functions: saturation pressure and the rest of
// psychrometry, equilibrium moisture content, the species table, safe drying rates, sample boards, pin meters, shrinkage
// and the heating of boards.
//
// It owns no state, reads no file and asks no clock; it imports hardware/quantity and the standard library only, and must
// never import the simulated kiln, which uses other published equations for the same properties on purpose.
//
// Units are SI in the types of hardware/quantity; moisture content and EMC are in percent of oven-dry mass. A humidity
// ratio is kg of water vapour per kg of dry air. A result that does not exist is NaN, never a clamped number; each
// function says when that is.
//
// Every constant names its publication where it stands. "From memory" means that the figure was recalled and has not been
// compared with the printed page; "common practice, no source" means what it says. Nothing here certifies anything: the
// meter, the oven and the rules of the local authority decide.
package wood
