"""What becomes of the answers: kept, checked, booked, reconciled, reported."""
