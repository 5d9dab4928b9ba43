// Package simkiln is a simulated kiln for one charge: it implements hardware.Inputs and hardware.Actuators with its own
// physics, weather, faults and a person, and moves only when Advance is called. Same Config, same calls, same bytes.
//
// It shares no code with schedule/wood and must never import it, nor anything else of the project but hardware and its
// leaves: for the state of moist air and for sorption each uses another published equation, so that a wrong one cannot cancel
// out. Two things have but one source, written down twice: the meter's resistance table (James 1988, here the Douglas-fir row
// for all wood, with another correction for temperature), and the Wood Handbook's heat capacity and conductivity of wood.
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
// The heat pump is a balance of evaporator and compressor with condenser, coil hold-up, drain lag and frost; it ages.
// Contactors follow their commands after 0.05 to 0.9 s, each with a time of its own. Heat and compressor also pass through
// the protections that are wired and need no computer: master contactor on the heartbeat, emergency stop, door, limit, sail
// switch, pressure cut-outs.
//
// Boards of a lot differ in diffusivity, green moisture, thickness and sapwood; shrinkage thins them. Their place across the
// load decides how early they meet the air, and reversal turns that round. One lot in twelve has a baffle leak and slower
// air. Each board keeps a score of drying stress, for surface checks and for honeycomb: stress.go tells how, and its limits.
//
// Faults are a closed list (FaultKinds); each changes the cause and leaves the symptoms to the physics where it can.
//
// # What it was compared with
//
// Crank's and Carslaw and Jaeger's exact series; a second program of the same board on scipy's solver (testdata/board.py,
// needs Debian's python3-scipy); Bergman's charges in a small kiln; the red-oak time constants; a survey of heat-pump
// dryers; published safe drying rates. testdata/curves.svg shows it, drawn by the tests:
//
//	go test ./hardware/simkiln -run TestCurves -update
//
// # Fitted, not validated
//
// A and the free-water mobility of each species (species.go), the exponent 0.45 of thickness, film coefficients, the
// machine's constants, the capacity of SmallConfig's machine (on the cherry run alone) and the three assumed figures of the
// stress score are calibration. One set serves all thicknesses of a species. The activation temperature is 5280 K up to 55 C
// and 3800 K above, where the published red-oak regression is weaker. The wood of a green lot begins without stress.
//
// # Books
//
// Water and heat that leave the wood are compared in every step with what the air took (Truth.MassError, HeatError: under
// 1e-9). Truth.EnergyBalance counts sensible heat and books latent heat at the places where the model moves it: it shows that
// no term is lost. A simulation whose books do not close fails. The first law in total enthalpy, checked apart from that
// book, closes to 0.4 % of the energy drawn.
//
// # Left out
//
// A charge sheet that errs about the moisture of its lots (each lot's mean is what was told, only its boards and samples
// differ), sorption hysteresis, air leaving the room as it warms (dry air is constant), layers of air over the height, the width
// that boards lose, mechano-sorption, warming of the ground under the floor. Wired protections open a contactor without delay.
//
// Units are SI inside, moisture in percent of oven-dry mass. A Kiln is for one goroutine.
package simkiln
