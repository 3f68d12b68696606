"""Times of repairs from handbooks of the United States government (public domain)."""

# NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.5.2: failures of a system on test, hours,
# watched to 1500; used in 8.2.3.4, too
NIST_HOURS = (5.0, 40.0, 43.0, 175.0, 389.0, 712.0, 747.0, 795.0, 1299.0, 1478.0)
NIST_END = 1500.0

# MIL-HDBK-189 (1981), appendix C: failures of one system watched to 300 (from memory; that the
# handbook's estimates come out to all their digits is the check)
MIL_TIMES = (
    2.6, 16.5, 16.5, 17.0, 21.4, 29.1, 33.3, 56.5, 63.1, 70.6, 73.0, 77.7, 93.9, 95.5,
    98.1, 101.1, 132.0, 142.2, 147.7, 149.0, 167.2, 190.7, 193.0, 198.7, 251.9, 282.5, 286.1,
)  # fmt: skip
MIL_END = 300.0
