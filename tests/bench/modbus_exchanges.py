"""Thousands of exchanges with a Modbus peer that misbehaves, in virtual time; counts wrong readings.

Run ``python -m tests.bench.modbus_exchanges``.
"""

import math

from tests.support.fickle_modbus import LONE_REGISTER, ONE_BLOCK, TWO_BLOCKS, exchange

QUESTIONS = 10_000
LAYOUTS = {"one block": ONE_BLOCK, "two blocks of one length": TWO_BLOCKS, "a lone register": LONE_REGISTER}


def main() -> None:
    """Print a line for each kind of peer."""
    for seed, (name, registers) in enumerate(LAYOUTS.items(), 1):
        for in_order, to_others in ((True, ""), (False, ""), (True, "refuses"), (False, "ignores")):
            if to_others and registers is not ONE_BLOCK:
                continue
            readings, wrong, peer = exchange(
                registers, QUESTIONS, seed=seed, in_order=in_order, to_others=to_others
            )
            limit = 1.0 - math.exp(math.log(0.05) / len(readings)) if not wrong else math.nan
            print(
                f"{name:26} {'answers in order' if in_order else 'any order':16} {to_others:7} "
                f"{len(peer.asked_ms):6} questions  {len(readings):5} readings  {len(wrong)} wrong "
                f"(95 % limit {limit:.1e})  {dict(sorted(peer.behaved.items()))}"
            )


if __name__ == "__main__":
    main()
