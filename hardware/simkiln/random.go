package simkiln

import "math"

// random is SplitMix64 (Steele, Lea and Flood 2014): small, fast, its whole state one word.
type random uint64

// stream gives an independent generator of a seed.
func stream(seed, number uint64) random {
	r := random(seed*0x9e3779b97f4a7c15 + number*0xd1342543de82ef95 + 1)
	r.word()
	return random(r.word())
}

func (r *random) word() uint64 {
	*r += 0x9e3779b97f4a7c15
	z := uint64(*r)
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}

// uniform is in [0, 1).
func (r *random) uniform() float64 { return float64(r.word()>>11) * 0x1p-53 }

// between is uniform in [low, high).
func (r *random) between(low, high float64) float64 { return low + (high-low)*r.uniform() }

// normal is a standard normal deviate (Box and Muller).
func (r *random) normal() float64 {
	return math.Sqrt(-2*math.Log(1-r.uniform())) * math.Cos(2*math.Pi*r.uniform())
}

// noise is nearly normal with unit variance: the sum of four 16-bit uniform deviates, never beyond 3.5.
func (r *random) noise() float64 {
	w := r.word()
	sum := w&0xffff + w>>16&0xffff + w>>32&0xffff + w>>48
	return (float64(sum) - 131070) * (math.Sqrt(3) / 65536)
}
