// Package simkiln is a simulated kiln for one charge: it implements hardware.Inputs and hardware.Actuators with its own
// physics, weather, faults and a person, and moves only when Advance is called. Same Config, same calls, same bytes.
//
// It shares no code with schedule/wood and must never import it, nor anything else of the project but hardware and its
// leaves: where both need a property each uses another published equation, so that a wrong one cannot cancel out.
//
//   - Saturation pressure: Buck (1996), within 0.06 % of the steam tables from 0 to 80 C.
//   - Sorption: Bradley's isotherm as fitted by Simpson (1973), joined smoothly at 18 % to activity 1 at fibre saturation.
//     Against Hailwood-Horrobin (Simpson 1973; FPL-GTR-190 equation 4-5), from 20 to 70 C, the equilibrium moisture lies
//     within 0.37 points from 20 to 90 % RH, mostly below by 0.0 to 0.3, and within 0.56 points at 95 %.
//
// # Model
//
// A board is half a slab, symmetric, with graded moisture nodes (finite volumes on the integrated potential, implicit,
// conservative) and six equal heat nodes; its surface has no mass: moisture, temperature and flux there are solved
// together, with evaporative cooling; heat of sorption is drawn from the wood as moisture falls. Boards are drawn per lot. Air is two nodes, between the
// boards and in the room, solved implicitly together with the load's response every AirStep (5 s). Wood steps of 10 to
// 120 s follow how fast the air changes: each begins with an elimination from core to surface, which gives the whole
// load's linear response to the air; the air then moves in its own steps, and each board finally gives up exactly what
// that air took. So mass and heat close to rounding whatever the step.
//
// The heat pump is a balance of evaporator and compressor with condenser, coil hold-up, drain lag and frost. Heat and
// compressor also pass through the protections that are wired and need no computer: master contactor on the heartbeat,
// emergency stop, door, limit, sail switch, pressure cut-outs.
//
// Faults are a closed list (FaultKinds); each changes the cause and leaves the symptoms to the physics where it can.
//
// # Fitted, not validated
//
// A and the free-water mobility of each species (species.go), the exponent 0.45 of thickness, film coefficients and the
// machine's constants are calibration. One set serves all thicknesses of a species. The activation temperature is
// 5280 K up to 55 C and 3800 K above, where the published red-oak regression is weaker.
//
// # Left out
//
// Truth.EnergyBalance counts sensible heat and books latent heat at the places where the model moves it: it shows that no
// term is lost. The first law in total enthalpy, checked apart from that book, closes to 0.7 % of the energy drawn.
//
// Shrinkage, sapwood boards, drying stress, sorption hysteresis, air leaving the room as it warms (dry air is constant),
// layers of air over the height. Contactors switch within the tick.
//
// Units are SI inside, moisture in percent of oven-dry mass. A Kiln is for one goroutine.
package simkiln
