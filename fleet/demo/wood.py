"""How invented wood takes up water: a sorption curve of its own and diffusion through layers."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from fleet.demo.spec import Floats

# Guggenheim-Anderson-de Boer form. The numbers are priors of this generator (no source), set by hand to a
# softwood that holds about 6 % of water at 30 % relative humidity and 9 % at half.
MONOLAYER = 0.066  # moisture of one filled layer at 20 degC [kg/kg]
MONOLAYER_PER_K = -0.0035  # relative change of it with temperature [1/K]
BINDING_FIRST, BINDING_NEXT = 9.0, 0.78
WETTER_IS_FASTER = 9.0  # diffusion grows as exp(9 · (moisture - 0.09)); prior, no source
USUAL_MOISTURE = 0.09


def sorbed(rh: Floats, temp_c: Floats | float) -> Floats:
    """Return the moisture that wood comes to in still air.

    Parameters
    ----------
    rh : float array
        Relative humidity [fraction].
    temp_c : float array
        Temperature [degC].

    Returns
    -------
    float array
        Moisture content [fraction of dry mass].

    Notes
    -----
    Another form than the forecast's on purpose: within one percent of moisture of it, which is about as
    well as any such curve is known, but with other slopes. No hysteresis.
    """
    layer = MONOLAYER * (1 + MONOLAYER_PER_K * (np.asarray(temp_c) - 20.0))
    wet = BINDING_NEXT * np.asarray(rh)
    return np.asarray(layer * BINDING_FIRST * wet / ((1 - wet) * (1 - wet + BINDING_FIRST * wet)))


@dataclass(frozen=True)
class Slabs:
    """Flat pieces of wood that take up water through one face; the other is sealed or a plane of symmetry.

    Attributes
    ----------
    depth_m : float array, shape (n,)
        Depth from the open face to the sealed one [m].
    diffusivity : float array, shape (n,)
        At a moisture of 9 % [m2/s].
    surface : float array, shape (n,)
        Coefficient of the open face with its varnish [m/s].
    layers : int
        Layers of equal depth.
    wetter_is_faster : float
        Growth of the logarithm of the diffusivity with moisture.
    """

    depth_m: Floats
    diffusivity: Floats
    surface: Floats
    layers: int = 6
    wetter_is_faster: float = WETTER_IS_FASTER

    @classmethod
    def together(cls, *parts: Slabs) -> Slabs:
        """Return several lots of slabs as one, so that one pass through time serves them all."""
        return cls(
            depth_m=np.concatenate([part.depth_m for part in parts]),
            diffusivity=np.concatenate([part.diffusivity for part in parts]),
            surface=np.concatenate([part.surface for part in parts]),
            layers=parts[0].layers,
            wetter_is_faster=parts[0].wetter_is_faster,
        )

    def soak(self, outer: Iterator[Floats], start: Floats, step_s: float) -> Iterator[Floats]:
        """Give the mean moisture of every slab after each step.

        Parameters
        ----------
        outer : iterator of float arrays, shape (n,)
            Moisture the wood would come to in the air of each step [fraction].
        start : float array, shape (n,)
            Moisture at the beginning, even through the depth [fraction].
        step_s : float
            Length of a step [s].

        Notes
        -----
        Finite differences in the layers, Crank-Nicolson in time with the diffusivity of the step before;
        second order in both, stable for any step.

        References
        ----------
        J. Crank, P. Nicolson, A practical method for numerical evaluation of solutions of partial
        differential equations of the heat-conduction type, 1947.
        """
        thick = self.depth_m / self.layers
        half = 0.5 * step_s / thick
        moisture = np.repeat(start[None, :], self.layers, axis=0)
        for air in outer:
            faster = np.exp(self.wetter_is_faster * (moisture - USUAL_MOISTURE))
            diffusivity = self.diffusivity * faster
            inner = half * 0.5 * (diffusivity[1:] + diffusivity[:-1]) / thick
            face = half / (1 / self.surface + 0.5 * thick / diffusivity[0])
            gained = np.zeros_like(moisture)
            flow = inner * (moisture[:-1] - moisture[1:])
            gained[0] = face * (2 * air - moisture[0])
            gained[:-1] -= flow
            gained[1:] += flow
            moisture = solve_layers(inner, face, moisture + gained)
            yield moisture.mean(axis=0)


def solve_layers(inner: Floats, face: Floats, known: Floats) -> Floats:
    """Solve the tridiagonal systems of all slabs at once by elimination and return the layers.

    Parameters
    ----------
    inner : float array, shape (layers - 1, n)
        Conductance between neighbours over half a step.
    face : float array, shape (n,)
        Conductance of the open face over half a step.
    known : float array, shape (layers, n)
        Right-hand side.
    """
    layers = len(known)
    diagonal = np.ones_like(known)
    diagonal[:-1] += inner
    diagonal[1:] += inner
    diagonal[0] += face
    solved = known.copy()
    for layer in range(1, layers):
        share = -inner[layer - 1] / diagonal[layer - 1]
        diagonal[layer] += share * inner[layer - 1]
        solved[layer] -= share * solved[layer - 1]
    solved[-1] /= diagonal[-1]
    for layer in range(layers - 2, -1, -1):
        solved[layer] = (solved[layer] + inner[layer] * solved[layer + 1]) / diagonal[layer]
    return solved
