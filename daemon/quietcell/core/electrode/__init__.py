"""The electrode: from millivolts to a pH with its uncertainty, and the state of what measured it.

====================  ==========================================================================
`nernst`              the Nernst factor; the line of an electrode, mV to pH and back
`buffers`             pH of standard buffers by temperature, and of the user's own
`recognition`         which buffer stands under the electrode, or the question to ask
`calibration`         slope, zero and isopotential point from one to five buffers
`calibration_limits`  whether a calibration or a check is good enough, with reasons
`known_line`          a line with how well it is known, source by source
`influences`          what may disturb the cell: allowances, the low-ionic check
`ph_budget`           pH of one measurement with every component of its uncertainty
`uncertainty`         the arithmetic of a budget after GUM
`condition`           NAMUR NE 107 signals from the electrode's history
====================  ==========================================================================

Every function takes and gives plain numbers with the unit in their names, reads no clock and keeps
no state. Wrong use is a `DomainError` that names argument, value, unit and range.
"""
