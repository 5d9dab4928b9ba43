"""Second implementation of the simulated kiln's board: the same equations, nothing else in common.

Half a board, symmetric: moisture by diffusion on the integrated potential, heat by conduction, a surface without mass
between them and the air. Method of lines on a fine graded grid, integrated by scipy's BDF with tight tolerances; the
surface is solved by brentq. Reads {"cases": [...]} on standard input, answers {"cases": [{"mean": [...]}]}.

Equations and their sources stand in the package's doc.go, wood.go and properties.go.
"""

import json
import sys

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

FS, JOIN, DFS, B = 30.0, 18.0, 28.0, 5.0
LIQUID, STEAM, RV = 4186.0, 1860.0, 461.5


def psat(t):
    return 611.21 * np.exp((18.678 - t / 234.5) * t / (257.14 + t))


def latent(t):
    return 2.501e6 - (LIQUID - STEAM) * t


def activity(m, t):
    """Bradley's isotherm with Simpson's coefficients (1973), carried smoothly from 18 % to 1 at fibre saturation."""
    f = 1.8 * t + 32
    l1 = 0.839 + 2.02e-5 * f - 1.56e-6 * f * f
    l2 = 3.56 + 0.00392 * f - 4.45e-5 * f * f
    l3 = 0.0219 + 1.64e-5 * f
    full = max(FS - 0.1 * (t - 20), JOIN + 2)
    if m >= full:
        return 1.0
    if m <= JOIN:
        return np.exp(-l2 * l1 ** max(m, 0.0) - l3)
    e = l2 * l1**JOIN
    join = np.exp(-e - l3)
    power = -join * e * np.log(l1) * (full - JOIN) / (1 - join)
    return 1 - (1 - join) * ((full - m) / (full - JOIN)) ** power


def moisture_of(phi, mobility):
    knee = (np.exp(B * DFS / 100) - 1) * 100 / B
    if phi > knee:
        return DFS + (phi - knee) / (np.exp(B * DFS / 100) * mobility)
    return np.log(max(1 + phi * B / 100, 1e-3)) * 100 / B


def potential(m, mobility):
    knee = np.exp(B * DFS / 100)
    return np.where(m < DFS, (np.exp(B * np.minimum(m, DFS) / 100) - 1) * 100 / B, (knee - 1) * 100 / B + knee * mobility * (m - DFS))


def diffusivity(a, t):
    k, hot = t + 273.15, 328.15
    if k <= hot:
        return a * np.exp(-5280 / k)
    return a * np.exp(-5280 / hot - 3800 / k + 3800 / hot)


def solve(case):
    cells, layers = 44, 10
    length, density = case["half_m"], case["density"]
    film, mobility = case["film"], case["mobility"]
    dx = 1.09 ** np.arange(cells)
    dx *= length / dx.sum()
    between, weight = (dx[1:] + dx[:-1]) / 2, dx / length
    layer = length / layers

    def derivative(air_t, air_p):
        def rate(_, y):
            m, t = y[:cells], y[cells:]
            mean, warm = weight @ m, t.mean()
            bound = min(max(mean, 0.0), FS)
            thin = 1 / (1 - case["radial"] * (1 - bound / FS))
            d = diffusivity(case["a"], warm) * thin * thin
            link = density / 100 * d
            kelvin = warm + 273.15
            extra = lambda b, k: 1000 * max(b * (-0.06191 + 2.36e-4 * k - 1.33e-4 * b), 0.0) * (1 + b / 100)
            heat = density * (103.1 + 3.867 * kelvin + LIQUID * max(mean, 0.0) / 100 + extra(bound, kelvin))
            conduct = (density / 1000 * (0.1941 + 0.004064 * max(mean, 0.0)) + 0.01864) * thin
            phi = potential(m, mobility)
            mass = film / (0.9 * 1.06 * 1020) / (RV * (air_t + 273.15))

            def surface_t(j):  # film*(Ta-Ts) = latent(Ts)*j + 2k/dx*(Ts-T1)
                g = 2 * conduct / layer
                ts = t[0]
                for _ in range(3):
                    ts = (film * air_t + g * t[0] - latent(ts) * j) / (film + g)
                return ts

            def excess(j):
                ts = surface_t(j)
                ms = moisture_of(phi[0] - j * dx[0] / 2 / link, mobility)
                return mass * (activity(ms, ts) * psat(ts) - air_p) - j

            top = mass * (2 * psat(t[0]) + psat(air_t))
            j = brentq(excess, -top, top, xtol=1e-15, rtol=1e-9)
            flow = np.empty(cells + 1)
            flow[0], flow[-1] = j, 0.0
            flow[1:-1] = link * (phi[1:] - phi[:-1]) / between
            dm = (flow[1:] - flow[:-1]) / dx * 100 / density
            # Heat of sorption where moisture falls, drawn at the surface; and what bound water's heat capacity frees.
            sorption = np.where(m < FS, 1.17e6 * np.exp(-0.14 * np.maximum(m, 0)), 0.0)
            freed = -(weight @ (dm * sorption)) / 100 * density * length
            step = 1e-4
            slope = (extra(min(mean + step, FS), 273.15 + warm / 2) - extra(min(mean, FS), 273.15 + warm / 2)) * warm / step
            freed += slope * (weight @ dm) * density * length
            ts = surface_t(j)
            q = np.zeros(layers + 1)
            q[0] = film * (air_t - ts) - latent(ts) * j - freed
            q[1:-1] = conduct * (t[:-1] - t[1:]) / layer
            dtemp = (q[:-1] - q[1:]) / layer / heat
            return np.concatenate([dm, dtemp])

        return rate

    y = np.concatenate([np.full(cells, float(case["start"])), np.full(layers, float(case["start_celsius"]))])
    means, now = [], 0.0
    for part in case["air"]:
        end = now + part["hours"] * 3600.0
        marks = [h * 3600.0 for h in case["marks_hours"] if now < h * 3600.0 <= end]
        s = solve_ivp(derivative(part["celsius"], part["vapour"]), (now, end), y, method="BDF", rtol=1e-5, atol=1e-4,
                      t_eval=sorted(set(marks + [end])), first_step=0.01)
        if not s.success:
            sys.exit("scipy: " + s.message)
        for mark in marks:
            means.append(float(weight @ s.y[:cells, list(s.t).index(mark)]))
        y, now = s.y[:, -1], end
    return {"mean": means}


json.dump({"cases": [solve(c) for c in json.load(sys.stdin)["cases"]]}, sys.stdout)
