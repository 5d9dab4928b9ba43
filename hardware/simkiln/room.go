package simkiln

import (
	"math"
	"time"
)

const (
	doorFlow     = 0.45   // m3/s through the open door
	wallTransfer = 0.005  // m/s, vapour to a wall
	wallFilm     = 8.0    // W/(m2 K), inside
	wallHolds    = 0.02   // kg/m2 of film before it runs to the floor and out
	stillFlow    = 0.0015 // m3/s per m3 of lumber: air between the boards against the room, no fans
	controlPower = 30.0   // W
)

// openWood starts a step of the wood; its length follows how fast the air changed in the last one.
func (k *Kiln) openWood() {
	s := &k.s
	pressure := float64(k.cfg.Pressure)
	p := vapourPressure(s.LoadW, pressure)
	longest := k.cfg.WoodStep.Seconds()
	shortest := 2 * k.cfg.AirStep.Seconds()
	switch {
	case s.WoodPlan == 0 || s.Cut || s.Short:
		s.WoodPlan = shortest
	default:
		change := math.Abs(p-s.StepP)/p/0.02 + math.Abs(s.LoadT-s.StepT)/0.5
		if change < 1 {
			s.WoodPlan *= 2
		} else if change > 3 {
			s.WoodPlan /= 2
		}
	}
	s.WoodPlan = max(min(s.WoodPlan, longest), shortest)
	s.Cut, s.Short = false, false
	s.StepP, s.StepT = p, s.LoadT
	s.PrepSpeed, s.PrepReverse = s.Speed, s.Reverse
	s.WoodTime, s.SumT, s.SumP = 0, 0, 0
	a := k.loadAir()
	s.Resp = k.wood.prepare(s.WoodPlan, &a, k.table)
}

func (k *Kiln) loadAir() air {
	s := &k.s
	pressure := float64(k.cfg.Pressure)
	a := air{temperature: s.LoadT, vapour: vapourPressure(s.LoadW, pressure), speed: s.PrepSpeed, reverse: s.PrepReverse}
	if s.PrepSpeed > 0.1 {
		a.riseTemperature = s.LoadT - s.RoomT
		a.risePressure = a.vapour - vapourPressure(s.RoomW, pressure)
	}
	return a
}

// closeWood ends the step under way with what the air really took.
func (k *Kiln) closeWood() {
	s := &k.s
	dt := s.WoodTime
	if dt <= 0 {
		return
	}
	k.wood.settle(s.SumT/dt, s.SumP/dt)
	if math.Abs(dt-s.WoodPlan) > 1e-9 { // cut short: eliminate again for the length it had
		a := k.loadAir()
		k.wood.prepare(dt, &a, k.table)
	}
	water, heat, evaporation, sorption, carried := k.wood.finish(dt)
	taken := s.Resp.A0*dt + s.Resp.At*s.SumT - s.Resp.Ap*s.SumP
	drawn := s.Resp.H0*dt + s.Resp.Ht*s.SumT + s.Resp.Hp*s.SumP
	s.WoodWater -= water
	s.WoodHeat += heat - carried
	s.EnergyOut += evaporation + sorption + carried // latent heat leaves the sensible books and comes back where water condenses
	s.WorstMass = max(s.WorstMass, math.Abs(taken-water)/max(s.WoodWater, 1e-9))
	s.WorstEnergy = max(s.WorstEnergy, math.Abs(drawn-heat-evaporation-sorption)/max(math.Abs(s.WoodHeat), 1))
	s.Evaporated += water
	s.Sorption += sorption
	s.WoodTime = 0
	if s.Now >= s.StrainAt {
		if s.StrainAt > 0 {
			k.wood.strain(s.Now - s.StrainAt + strainEvery)
		}
		s.StrainAt = s.Now + strainEvery
	}
}

// airStep moves air, structure, machine and water on by dt seconds: the air of the load and of the room, each with heat
// and moisture, implicit together with the wood's response.
func (k *Kiln) airStep(dt float64) {
	s := &k.s
	c := &k.cfg
	k.moveActuators(dt)
	if math.Abs(s.Speed-s.PrepSpeed) > 0.05 || s.Reverse != s.PrepReverse {
		s.Cut = true
	}
	if s.Cut {
		k.closeWood()
		k.openWood()
	}
	if s.Now >= s.WeatherAt {
		k.updateWeather()
	}
	pressure := float64(c.Pressure)
	outW := humidityRatio(s.OutP, pressure)
	heatCap := airHeat + steamHeat*s.RoomW
	loadHeat := airHeat + steamHeat*s.LoadW
	kappa := pressure / (ratio + s.LoadW)
	r := &s.Resp
	// What the wood gives up is as warm as its surfaces.
	steam := (r.A0 + r.At*s.LoadT - r.Ap*kappa*s.LoadW) * steamHeat * (r.Surface - s.LoadT)

	// What runs.
	fans := k.fanPower()
	heaters := k.heaterPower()
	electric := fans + heaters + controlPower
	sensible := fans + heaters + controlPower
	if v := s.Severity[MachineFire]; v > 0 {
		sensible += 100e3 * v
		s.EnergyIn += 100e3 * v * dt
	}
	water := 0.0 // kg/s into the room air
	m := k.runMachine(dt)
	electric += m.electric
	sensible += m.sensible
	water += m.water
	if s.SprayOpen > 0 && s.Severity[NoWater] == 0 {
		rate := s.SprayOpen * float64(c.Spray.Rate) / 3600
		if vapourPressure(s.RoomW, pressure) > 0.98*saturation(s.RoomT) {
			rate = 0 // falls to the floor
		}
		water += rate
		sensible -= rate * latent(s.RoomT)
		s.WaterIn += rate * dt
		s.EnergyOut += rate * latent(s.RoomT) * dt
	}
	if s.Puddle > 0 {
		rate := min(s.Puddle/dt, 0.5/3600*s.RoomMass/60)
		if vapourPressure(s.RoomW, pressure) > 0.98*saturation(s.RoomT) {
			rate = 0
		}
		s.Puddle -= rate * dt
		water += rate
		sensible -= rate * latent(s.RoomT)
		s.EnergyOut += rate * latent(s.RoomT) * dt
	}

	// Cold walls take vapour and give it back.
	wallT := s.RoomT
	if c.Room.WallArea > 0 {
		wallT -= float64(c.Room.UA) / c.Room.WallArea / wallFilm * (s.RoomT - s.OutT)
		over := vapourPressure(s.RoomW, pressure) - saturation(wallT)
		if over > 0 || s.WallFilm > 0 {
			rate := wallTransfer * c.Room.WallArea * over / (waterGas * (s.RoomT + 273.15))
			rate = max(rate, -s.WallFilm/dt)
			rate = min(rate, 0.5*s.RoomMass*s.RoomW/dt)
			s.WallFilm += rate * dt
			water -= rate
			gives := rate * (latent(wallT) + steamHeat*(s.RoomT-wallT))
			sensible += gives
			s.EnergyIn += gives * dt
			if full := wallHolds * c.Room.WallArea; s.WallFilm > full {
				s.WaterOut += s.WallFilm - full
				s.WallFilm = full
			}
		}
	}

	// Exchange with outdoors, dry air kg/s.
	exchange := float64(c.Room.AirChanges)/3600*s.RoomMass + s.VentOpen*float64(c.Vents.Flow)/3600*s.RoomMass/float64(c.Room.AirVolume)
	if s.Door {
		exchange += doorFlow * 1.1
	}
	exchangeHeat := exchange * (airHeat + steamHeat*outW)
	loss := float64(c.Room.UA) + exchangeHeat
	ground := float64(c.Room.GroundUA)

	// Room eliminated: RoomW' = rw0 + rw1*LoadW', RoomT' = rt0 + rt1*LoadT'.
	flow := k.loadFlow()
	store := s.RoomMass / dt
	inv := 1 / (store + flow + exchange)
	rw0, rw1 := (store*s.RoomW+water+exchange*outW)*inv, flow*inv
	g := float64(c.Room.StructureUA)
	structure := float64(c.Room.Structure) / dt
	gEff := g * structure / (structure + g)
	flowIn, flowOut := flow*heatCap, flow*loadHeat // heat that comes with the air into the load, and out of it
	roomCap := s.RoomMass * heatCap / dt
	invT := 1 / (roomCap + flowOut + loss + ground + gEff)
	rt0 := (roomCap*s.RoomT + sensible + loss*s.OutT + ground*k.groundT + gEff*s.StructureT) * invT
	rt1 := flowOut * invT

	// Load: two equations.
	loadStore := s.LoadMass / dt
	loadCap := s.LoadMass * loadHeat / dt
	a11 := loadStore + flow*(1-rw1) + r.Ap*kappa
	a12 := -r.At
	a21 := r.Hp * kappa
	a22 := loadCap + flowIn*(1-rt1) + r.Ht
	b1 := loadStore*s.LoadW + flow*rw0 + r.A0
	b2 := loadCap*s.LoadT + flowIn*rt0 - r.H0 + steam
	det := 1 / (a11*a22 - a12*a21)
	loadW := (b1*a22 - a12*b2) * det
	loadT := (a11*b2 - a21*b1) * det
	roomW, roomT := rw0+rw1*loadW, rt0+rt1*loadT
	structureT := (structure*s.StructureT + g*roomT) / (structure + g)

	// Books. The air's heat capacity is that of this step throughout; the change to the next is booked too, and so is the
	// heat of the vapour that passes between room and load.
	s.WaterIn += exchange * outW * dt
	s.WaterOut += exchange * roomW * dt
	s.EnergyIn += electric * dt
	s.EnergyOut += (loss*(roomT-s.OutT) + ground*(roomT-k.groundT)) * dt
	s.Electric += electric * dt
	s.Loss += (float64(c.Room.UA)*(roomT-s.OutT) + ground*(roomT-k.groundT)) * dt
	s.Exchange += exchange * (moistEnthalpy(roomT, roomW) - moistEnthalpy(s.OutT, outW)) * dt
	s.EnergyIn += m.latent * dt
	s.EnergyIn += steamHeat*((roomW-s.RoomW)*s.RoomMass*roomT+(loadW-s.LoadW)*s.LoadMass*loadT) +
		((flowOut-flowIn)*(loadT-roomT)+steam)*dt
	k.meterEnergy(electric * dt)

	p := kappa * loadW
	s.SumT += loadT * dt
	s.SumP += p * dt
	s.WoodTime += dt
	s.LoadW, s.LoadT, s.RoomW, s.RoomT, s.StructureT = loadW, loadT, roomW, roomT, structureT
	if s.WoodTime >= s.WoodPlan-1e-9 {
		k.closeWood()
		k.openWood()
	}
	if s.Now >= s.HourAt {
		k.keepHours()
	}
	k.updateFlowContacts()
	s.Current = k.currents()
}

// moistEnthalpy gives J/kg of dry air, 0 for dry air and liquid water at 0 C.
func moistEnthalpy(t, w float64) float64 { return airHeat*t + w*(2.501e6+steamHeat*t) }

// loadFlow gives the dry air through the load in kg/s.
func (k *Kiln) loadFlow() float64 {
	s := &k.s
	density := s.RoomMass / float64(k.cfg.Room.AirVolume)
	still := stillFlow * s.LoadMass / (0.7 * density)
	return density * (k.cfg.Fans.Flow*s.Speed + still)
}

// waterNow gives all water inside the walls in kg; what the step under way has taken counts as in the air already.
func (k *Kiln) waterNow() float64 {
	s := &k.s
	taken := s.Resp.A0*s.WoodTime + s.Resp.At*s.SumT - s.Resp.Ap*s.SumP
	return s.WoodWater - taken + s.RoomW*s.RoomMass + s.LoadW*s.LoadMass + s.CoilWater + s.Ice + s.WallFilm + s.Puddle
}

// energyNow gives the sensible heat inside the walls in J above 0 C.
func (k *Kiln) energyNow() float64 {
	s := &k.s
	drawn := s.Resp.H0*s.WoodTime + s.Resp.Ht*s.SumT + s.Resp.Hp*s.SumP
	return s.WoodHeat + drawn + (airHeat+steamHeat*s.RoomW)*s.RoomMass*s.RoomT + (airHeat+steamHeat*s.LoadW)*s.LoadMass*s.LoadT +
		float64(k.cfg.Room.Structure)*s.StructureT
}

// updateWeather renews outdoor air every five minutes.
func (k *Kiln) updateWeather() {
	s := &k.s
	w := &k.cfg.Weather
	const every = 5 * time.Minute
	s.WeatherAt = s.Now + every
	if n := len(w.Hours); n > 0 {
		h := w.Hours[int(s.Now/time.Hour)%n]
		s.OutT = float64(h.Temperature)
		s.OutP = float64(h.Humidity) * saturation(s.OutT)
		return
	}
	hour := (s.Now + startOfDay).Hours()
	season := float64(w.Seasonal) * math.Cos(2*math.Pi*(float64(w.Day)+hour/24-200)/365)
	if w.Noise > 0 {
		keep := math.Exp(-every.Hours() / 24)
		s.OutNoise = s.OutNoise*keep + float64(w.Noise)*math.Sqrt(1-keep*keep)*s.WeatherRandom.noise()
	}
	mean := float64(w.Mean) + season + s.OutNoise
	s.OutT = mean + float64(w.Daily)*math.Cos(2*math.Pi*(hour-15)/24)
	s.OutP = min(float64(w.Humidity)*saturation(mean), 0.98*saturation(s.OutT))
}
