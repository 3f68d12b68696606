"""The four sites and their habits.  The habits are what the site analyses ought to find."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Site:
    """One garage; shares are probabilities a visit."""

    letter: str
    name: str
    technicians: tuple[str, ...]
    full_scan: float
    post_scan: float  # a scan after the clear, in the same visit
    clear_only: float  # codes found are cleared and nothing else is done
    records_clear: float
    recheck: float  # a look after 600 to 2,000 km
    fails: float  # repairs that do not cure
    weak_brand: float  # of wheel speed sensors fitted
    currency: str = "EUR"


SITES = {
    "A": Site("A", "Velmarsh", ("E. Quessard", "B. Tolvaine", "I. Marrowin"),
              0.93, 0.92, 0.06, 0.96, 0.45, 0.08, 0.15),
    "B": Site("B", "Orrinby", ("K. Ostrelle", "D. Famworth-Ley", "S. Ulvarsen"),
              0.86, 0.75, 0.10, 0.85, 0.30, 0.45, 0.35),
    "C": Site("C", "Tessgarth", ("N. Hebbelin", "R. Caldroon"),
              0.82, 0.60, 0.50, 0.60, 0.20, 0.10, 0.25),
    "D": Site("D", "Quarrowsend", ("A. Brissolet", "J. Tenwaller"),
              0.95, 0.00, 0.10, 0.90, 0.25, 0.10, 0.15, "CHF"),
}  # fmt: skip
