// Package library holds the published hardwood drying schedules as data and assembles them for a species, a thickness, a
// starting moisture and the limits of a machine.
//
// A code such as T4-D2 names a row of the temperature table, a moisture class and a row of the wet-bulb depression table;
// written out they give dry bulb and depression by moisture content. Literal gives that as published. Assemble keeps the
// EMC of every published step, caps its dry bulb, keeps above the driest air the machine can make, and sees to it that the
// last step can end; its notes say each limit that bound.
//
// It imports schedule/wood and hardware/quantity only. Units are SI; moisture and EMC in percent.
//
// Source: Simpson (ed.) 1991, Dry Kiln Operator's Manual, USDA Agriculture Handbook AH-188, ch. 7 (tables in data/, all from
// memory, as each file says). Softwood codes and schedules published for dehumidification kilns are missing: for a softwood
// the operator gives a schedule of their own.
package library
