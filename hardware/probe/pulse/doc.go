// Package pulse counts pulses of a meter: a tipping bucket's reed, an electricity meter's S0 output.
//
// An S0 output (IEC 62053-31) is on for at least 30 ms and off for at least 30 ms, so at most 16 pulses come in a second. A
// reed bounces for up to some 10 ms; two tips of a bucket are at least 0.3 s apart (from memory). One edge is counted, when
// the level has stood for the debounce time. A contact that stays on is stuck: its meter counts nothing, which must not look
// like no water or no power.
package pulse
