"""What discrepancies are put down to, beside the ways in which a count goes wrong."""

MISCOUNTED, UNKNOWN, EXCHANGED, OPENING = "miscounted", "cause not known", "counts exchanged", "opening number wrong"
LOSS, GAIN, MOVE = "unrecorded loss", "unrecorded gain", "transfer not recorded"
LATE_LOSS, NOT_MADE = "loss noted after it was missed", "movement noted twice or not made"
