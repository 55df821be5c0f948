"""The air over saturated salt solutions: known humidities that anybody can make in a jar."""

from dataclasses import dataclass

import numpy as np

from drymon.errors import LearningError

SALT_TEMPERATURES_C = (15.0, 20.0, 25.0, 30.0)


@dataclass(frozen=True, slots=True)
class Salt:
    """Name; % RH over its saturated solution at `SALT_TEMPERATURES_C`; the largest stated uncertainty of it."""

    name: str
    humidities: tuple[float, float, float, float]
    uncertainty: float


# Greenspan 1977, J. Res. NBS 81A(1):89-96, table 2 (values from memory, checked against the polynomials of its
# table 1 but for Mg(NO3)2 and NaBr).
SALTS: dict[str, Salt] = {
    "LiCl": Salt("lithium chloride", (11.30, 11.31, 11.30, 11.28), 0.35),
    "MgCl2": Salt("magnesium chloride", (33.30, 33.07, 32.78, 32.44), 0.21),
    "K2CO3": Salt("potassium carbonate", (43.15, 43.16, 43.16, 43.17), 0.50),
    "Mg(NO3)2": Salt("magnesium nitrate", (55.87, 54.38, 52.89, 51.40), 0.27),
    "NaBr": Salt("sodium bromide", (60.68, 59.14, 57.57, 56.03), 0.51),
    "NaCl": Salt("sodium chloride", (75.61, 75.47, 75.29, 75.09), 0.18),
    "KCl": Salt("potassium chloride", (85.92, 85.11, 84.34, 83.62), 0.33),
    "K2SO4": Salt("potassium sulfate", (97.89, 97.59, 97.30, 97.00), 0.63),
}
"""By formula."""


def salt_named(text: str) -> Salt:
    """The salt of a formula or a name, however it is spelt. Raises LearningError with those that are known."""
    wanted = _plain(text)
    for formula, salt in SALTS.items():
        if wanted in (_plain(formula), _plain(salt.name)):
            return salt
    known = ", ".join(f"{formula} ({salt.name})" for formula, salt in SALTS.items())
    raise LearningError(f"received {text!r}, known are {known}")


def salt_humidity(salt: str, temperature_c: float) -> tuple[float, float]:
    """% RH over a saturated solution at 15 to 30 degC and its uncertainty (Greenspan 1977, between its
    temperatures linear). Raises LearningError for an unknown salt or a temperature beyond the table.
    """
    found = salt_named(salt)
    if not SALT_TEMPERATURES_C[0] <= temperature_c <= SALT_TEMPERATURES_C[-1]:
        raise LearningError(f"temperature: received {temperature_c:g} degC, the salts' table goes from 15 to 30 degC")
    return float(np.interp(temperature_c, SALT_TEMPERATURES_C, found.humidities)), found.uncertainty


def _plain(text: str) -> str:
    return "".join(sign for sign in text.casefold() if sign.isalnum())
