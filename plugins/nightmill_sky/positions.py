"""Where the bodies are: barycentric positions, light time, and the apparent place for an observer.

Built-in ephemeris: ERFA's, the one astropy uses when no kernel is named: `epv00` (Earth, after VSOP2000), `moon98`
(Moon, after ELP2000-82 as abridged by Meeus), `plan94` (planets, Simon et al. 1994, A&A 282, 663: good to 1 arcmin
for Jupiter and Saturn between 1900 and 2100). With a JPL kernel the places are good to 0.1 arcsec.

Light time: the body is seen where it was, and turned as it was, when the light left it, so everything about its globe
is computed for that instant. Aberration: the observer's velocity shifts the whole disc by up to 20 arcsec without
changing which point of the globe is in its middle, so it enters the apparent place only.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from nightmill_sky.bodies import AU_KM, Body
from nightmill_sky.site import Site
from nightmill_sky.spk import KernelError, open_kernel
from nightmill_sky.timescales import Instants

__all__ = ["LIGHT_AU_PER_DAY", "Apparition", "barycentric_au", "observe"]

LIGHT_AU_PER_DAY = 299_792.458 * 86_400.0 / AU_KM
"""Speed of light, astronomical units a day (from the exact values in km/s and km)."""

_PLAN94 = {"mercury": 1, "venus": 2, "mars": 4, "jupiter": 5, "saturn": 6, "uranus": 7, "neptune": 8}
# The planet itself when the kernel has it, else the barycentre of its system (0.1 arcsec at most apart).
_NAIF = {
    "sun": (10,),
    "mercury": (199, 1),
    "venus": (299, 2),
    "earth": (399,),
    "moon": (301,),
    "mars": (499, 4),
    "jupiter": (599, 5),
    "saturn": (699, 6),
    "uranus": (799, 7),
    "neptune": (899, 8),
}

Vectors = NDArray[np.float64]


@contextmanager
def _quiet() -> Iterator[None]:
    """Dates far away are announced in words by `instants`; ERFA's own warnings would only repeat it."""
    import erfa

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", erfa.ErfaWarning)
        yield


def barycentric_au(
    name: str, jd1: NDArray[np.float64], jd2: NDArray[np.float64], kernel: Path | None = None
) -> tuple[Vectors, Vectors]:
    """Position and velocity of a body relative to the barycentre of the solar system.

    Parameters
    ----------
    name : str
        A target's name, or "earth".
    jd1, jd2 : ndarray of float64, shape (n,)
        Two-part TDB Julian date.
    kernel : Path, optional
        A JPL kernel; the built-in ephemeris by default.

    Returns
    -------
    position, velocity : ndarray of float64, shape (n, 3)
        au and au a day, ICRF axes.

    Raises
    ------
    KernelError
        The kernel is unusable, or lacks the body or the date.
    """
    if kernel is not None:
        spk = open_kernel(Path(kernel))
        code = next((c for c in _NAIF[name] if spk.has(c)), None)
        if code is None:
            raise KernelError(f"{Path(kernel).name} does not hold {name}; use a planetary kernel such as de440s.bsp.")
        position, velocity = spk.barycentric(code, jd1, jd2)
        return position / AU_KM, velocity / AU_KM * 86_400.0
    import erfa

    with _quiet():
        heliocentric, barycentric = erfa.epv00(jd1, jd2)
        if name == "earth":
            return barycentric["p"], barycentric["v"]
        if name == "moon":
            moon = erfa.moon98(jd1, jd2)
            return barycentric["p"] + moon["p"], barycentric["v"] + moon["v"]
        sun_p, sun_v = barycentric["p"] - heliocentric["p"], barycentric["v"] - heliocentric["v"]
        if name == "sun":
            return sun_p, sun_v
        planet = erfa.plan94(jd1, jd2, _PLAN94[name])
        return sun_p + planet["p"], sun_v + planet["v"]


@dataclass(frozen=True)
class Apparition:
    """A body as an observer sees it; n instants, ICRF axes unless said otherwise.

    Parameters
    ----------
    tdb_left_days : ndarray, shape (n,)
        When the light left the body, TDB days since J2000.0.
    to_observer_au, to_sun_au : ndarray, shape (n, 3)
        From the body (when the light left it) to the observer (now) and to the Sun (then).
    body_velocity_au_per_day : ndarray, shape (n, 3)
        Heliocentric velocity of the body when the light left it.
    apparent : ndarray, shape (n, 3)
        Unit vector to the apparent place (deflection and aberration applied).
    of_date : ndarray, shape (n, 3, 3)
        Matrix from the ICRF to the true equator and equinox of date.
    sidereal_rad : ndarray, shape (n,)
        Greenwich apparent sidereal time.
    """

    tdb_left_days: NDArray[np.float64]
    to_observer_au: Vectors
    to_sun_au: Vectors
    body_velocity_au_per_day: Vectors
    apparent: Vectors
    of_date: NDArray[np.float64]
    sidereal_rad: NDArray[np.float64]

    @property
    def distance_au(self) -> NDArray[np.float64]:
        """Distance travelled by the light, shape (n,)."""
        return np.linalg.norm(self.to_observer_au, axis=-1)


def _observer(when: Instants, site: Site | None, kernel: Path | None) -> tuple[Vectors, Vectors]:
    position, velocity = barycentric_au("earth", *when.tdb, kernel)
    if site is None:
        return position, velocity
    import erfa

    with _quiet():
        spin = erfa.era00(*when.ut1)
        local = erfa.pvtob(
            np.radians(site.longitude_deg),
            np.radians(site.latitude_deg),
            site.height_m,
            when.polar_motion_rad[:, 0],
            when.polar_motion_rad[:, 1],
            erfa.sp00(*when.tt),
            spin,
        )
        to_cirs = erfa.c2i06a(*when.tt)
    metres = np.einsum("nij,ni->nj", to_cirs, local["p"])
    speed = np.einsum("nij,ni->nj", to_cirs, local["v"])
    au_m = AU_KM * 1000.0
    return position + metres / au_m, velocity + speed * 86_400.0 / au_m


def _unit(vectors: Vectors) -> Vectors:
    return vectors / np.linalg.norm(vectors, axis=-1, keepdims=True)


def observe(target: Body, when: Instants, site: Site | None, kernel: Path | None = None) -> Apparition:
    """Light time, deflection of light by the Sun, aberration, precession and nutation for one body.

    Parameters
    ----------
    target : Body
    when : Instants
    site : Site or None
        None looks from the centre of the Earth.
    kernel : Path, optional
        A JPL kernel; the built-in ephemeris by default.

    Returns
    -------
    Apparition
    """
    import erfa

    seer, seer_velocity = _observer(when, site, kernel)
    jd1, jd2 = when.tdb
    light_days = np.zeros(len(when))
    for _ in range(4):  # each round shrinks the error by v/c, 1e-4
        seen, seen_velocity = barycentric_au(target.name, jd1, jd2 - light_days, kernel)
        light_days = np.linalg.norm(seen - seer, axis=-1) / LIGHT_AU_PER_DAY
    sun, sun_velocity = barycentric_au("sun", jd1, jd2 - light_days, kernel)
    direction = _unit(seen - seer)
    from_sun = seer - sun
    sun_distance = np.linalg.norm(from_sun, axis=-1)
    bent = direction
    if target.name != "sun":
        bent = erfa.ld(1.0, direction, _unit(seen - sun), _unit(from_sun), sun_distance, 1e-6)
    beta = seer_velocity / LIGHT_AU_PER_DAY
    apparent = erfa.ab(bent, beta, sun_distance, np.sqrt(1.0 - np.sum(beta**2, axis=-1)))
    with _quiet():
        of_date = erfa.pnm06a(*when.tt)
        sidereal = erfa.gst06(*when.ut1, *when.tt, of_date)
    return Apparition(
        tdb_left_days=when.tdb_days - light_days,
        to_observer_au=seer - seen,
        to_sun_au=sun - seen,
        body_velocity_au_per_day=seen_velocity - sun_velocity,
        apparent=_unit(apparent),
        of_date=of_date,
        sidereal_rad=sidereal,
    )
