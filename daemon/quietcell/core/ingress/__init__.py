"""Carbon dioxide ingress: evidence, rivals, detector."""
