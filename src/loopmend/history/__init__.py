"""History: failures of the past, rates per length and time, reliability indices, trend, the rate of each span."""
