"""Grit designations of coated abrasives: FEPA P-grades as in ISO 6344. Pure.

Macrogrits P12 to P220 are ISO 6344-2, microgrits P240 to P5000 are ISO 6344-3 (2021). Listed from memory of
the standards' tables; coarse to fine.
"""

P_GRADES = tuple(
    f"P{number}"
    for number in (
        *(12, 16, 20, 24, 30, 36, 40, 50, 60, 80, 100, 120, 150, 180, 220),
        *(240, 280, 320, 360, 400, 500, 600, 800, 1000, 1200, 1500, 2000, 2500),
        *(3000, 4000, 5000),
    )
)
# From coarse to fine.
GRADE_ORDER = {grade: position for position, grade in enumerate(P_GRADES)}
