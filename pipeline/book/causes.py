"""What discrepancies are put down to, beside the ways in which a count goes wrong: names in tables, which are translated where
they are shown."""

from formpack.words import marked

MISCOUNTED, UNKNOWN, EXCHANGED = marked("miscounted"), marked("cause not known"), marked("counts exchanged")
OPENING, LATE_LOSS = marked("opening number wrong"), marked("loss noted after it was missed")
LOSS, GAIN, MOVE = marked("unrecorded loss"), marked("unrecorded gain"), marked("transfer not recorded")
NOT_MADE = marked("movement noted twice or not made")
