// Package quantity holds the units of the kiln as types, and their text forms.
//
// Inside the program everything is SI in float64; two kinds of number keep the trade's own scale because every table
// of the field prints it: moisture content and EMC are in percent of oven-dry mass. Text always carries its unit
// ("110 F", "2.8 K", "35 %", "8/4"); a bare number, NaN and infinity are refused by every UnmarshalText.
//
// A temperature difference is a type of its own: 5 Fd is 2.8 K and no offset of 32 ever enters it.
//
// The package is a leaf: standard library only.
package quantity
