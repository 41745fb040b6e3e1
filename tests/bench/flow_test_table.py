"""What the guided flow test calls cases of known cause: ``python -m tests.bench.flow_test_table [n]``."""

import sys
from collections import Counter

from quietcell.core.ingress.flow_test import judge_flow_test
from tests.support.flow_tests import KINDS, flow_test_case


def main() -> None:
    """Print a confusion matrix of n cases a kind, 40 unless told."""
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    for conductivity in (True, False):
        print(f"conductivity at the electrode: {conductivity}")
        for kind in KINDS:
            cases = [flow_test_case(seed, kind, conductivity=conductivity) for seed in range(n)]
            found = [judge_flow_test(case.steps, case.settings) for case in cases]
            print(f"  {kind:24} {dict(Counter(each.verdict for each in found).most_common())}")
            sized = [
                abs(each.co2_ug_per_l.value - case.size_ug_l) <= each.co2_ug_per_l.expanded_uncertainty
                for each, case in zip(found, cases, strict=True)
                if each.verdict == kind and each.co2_ug_per_l is not None
            ]
            if sized:
                print(f"    size within its uncertainty {sum(sized)}/{len(sized)}")


if __name__ == "__main__":
    main()
