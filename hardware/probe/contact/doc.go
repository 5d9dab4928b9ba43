// Package contact debounces a digital input: door, limit, pressure switch, float, button.
//
// A contact is valid once its level has stood for the debounce time. A contact that chatters for longer than a bounce can
// last, or that was not looked at for a while, is not valid, and what that means is for the rules to say: an input that
// cannot be read never permits. Bounces last up to some 10 ms (common practice, no source).
package contact
