"""What a shielding gas is made of: the named gases of a mixture and their shares."""

from collections.abc import Mapping
from dataclasses import dataclass

from monitor.model.errors import Fault, InputError

MOLAR_MASS_KGMOL = {
    "argon": 0.039948,
    "carbon_dioxide": 0.0440098,
    "helium": 0.004002602,
    "hydrogen": 0.00201588,
    "nitrogen": 0.0280134,
    "oxygen": 0.0319988,
}
_SUM_TOLERANCE = 1e-6


@dataclass(frozen=True, slots=True)
class GasMixture:
    """A dry shielding gas: names in alphabetical order, and the mole fraction of each."""

    names: tuple[str, ...]
    mole_frac: tuple[float, ...]

    def share_frac(self, name: str) -> float:
        """Mole fraction of one gas; 0 where it is not part of the mixture."""
        return self.mole_frac[self.names.index(name)] if name in self.names else 0.0


def gas_mixture(shares: Mapping[str, float]) -> GasMixture:
    """The mixture of named gases.

    Arguments:
        shares: mole (volume) fraction of each gas, each above 0 to 1, together 1; the names of
            MOLAR_MASS_KGMOL.
    Returns:
        the mixture, with mole fractions as given.
    Raises:
        InputError: an unknown name, a share outside its range, or shares that do not add up to 1.
    Reference:
        Molar masses: IUPAC 2013 atomic weights, as used by the equations of state named in gas_state.
    """
    faults = [
        Fault(f"gas {name}", "an unknown name", f"use one of {', '.join(sorted(MOLAR_MASS_KGMOL))}")
        for name in shares
        if name not in MOLAR_MASS_KGMOL
    ]
    faults += [
        Fault(f"gas {name}", f"{share:g}", "give a fraction above 0 and at most 1")
        for name, share in shares.items()
        if not 0.0 < share <= 1.0
    ]
    total = sum(shares.values())
    if abs(total - 1.0) > _SUM_TOLERANCE:
        faults.append(Fault("gas shares", f"a sum of {total:g}", "give fractions that add up to 1"))
    if faults:
        raise InputError(faults)
    names = tuple(sorted(shares))
    return GasMixture(names, tuple(float(shares[name]) for name in names))


ARGON = gas_mixture({"argon": 1.0})
CARBON_DIOXIDE = gas_mixture({"carbon_dioxide": 1.0})
