"""Which cause, which check next, and did the mend hold: from a finding and its plates to ranked answers in words."""
