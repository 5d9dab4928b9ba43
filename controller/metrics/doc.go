// Package metrics renders controller.Status for Prometheus: one collector, one status a scrape, so that a scrape is
// consistent.
//
// Base units and their suffixes: celsius, ratio (moisture and EMC as kilogram of water a kilogram of oven-dry wood),
// seconds, grams, joules. What is not known has no sample; it is never 0. A state is one series a value, 0 or 1.
// Labels come from the kiln file and from closed sets: probes by id, lots by number from 1, rules by name; never free text.
//
// It reads and changes nothing. It may import controller and hardware's nouns.
package metrics
