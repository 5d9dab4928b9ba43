// Answers moist-air states with PsychroLib (ASHRAE Fundamentals 2017, ch. 1) as the reference program.
// Standard input: one state a line, "dry bulb in C, relative humidity 0..1, pressure in Pa, wet bulb as found here". Standard
// output, one line each: wet bulb, dew point, humidity ratio, vapour pressure, enthalpy, and the relative humidity that
// belongs to the wet bulb given.
// Run by TestFreshPsychroLib, which names the folder of the npm package in PSYCHROLIB.
const path = require("path");
const psychrolib = require(path.join(process.env.PSYCHROLIB, "node_modules", "psychrolib"));
psychrolib.SetUnitSystem(psychrolib.SI);
const lines = require("fs").readFileSync(0, "utf8").trim().split("\n");
for (const line of lines) {
  const [db, rh, p, found] = line.split(",").map(Number);
  const w = psychrolib.GetHumRatioFromRelHum(db, rh, p);
  const wb = psychrolib.GetTWetBulbFromRelHum(db, rh, p);
  console.log([
    wb,
    psychrolib.GetTDewPointFromRelHum(db, rh),
    w,
    psychrolib.GetVapPresFromRelHum(db, rh),
    psychrolib.GetMoistAirEnthalpy(db, w),
    psychrolib.GetRelHumFromTWetBulb(db, Math.min(found, db), p),
  ].join(","));
}
