// Package chart draws a charge as one picture: moisture, air, rate and actuators over one time axis in days.
//
// A Recorder takes every tick and keeps at most 2 x MaxBins means, so that a charge of any length costs the same memory;
// SVG writes them down. Moisture and EMC are percent, temperatures Celsius in the data and Celsius or Fahrenheit in the
// picture. The package knows nothing of the kiln, reads no clock and imports the standard library only. The line colours
// are chosen to be told apart with any colour vision (Okabe and Ito 2008, "Color universal design").
package chart
