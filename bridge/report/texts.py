"""The longer sentences of the reports."""

CAUTION = (
    "Powered outdoor circuits can injure or kill. Before hands touch a string or its wiring, switch off"
    " and lock the disconnect; a switched-off port is no isolation. Local electrical codes come first, "
    "and a licensed electrician decides on fuses and wiring."
)
AT_THE_PORTS = (
    "Energy at the ports is counted from the current and voltage of each port, between readings that "
    "follow each other; time without readings counts nothing."
)
AT_THE_WALL = (
    "Energy at the wall is an estimate: what the ports took, divided by the efficiency of their supply"
)
SAVED = (
    "Saved is what each port would have taken while it was off, had it been left on with nothing lit: "
    "its own measured idle current, for as long as it was seen off. A port whose idle current is not "
    "learned yet counts as saving nothing."
)
COST = (
    "Cost is energy at the wall at the price of its own quarter hour. Standing charges, and taxes that "
    "do not go by energy, are not in it."
)
BY_DAY_KEY = (
    '<span class="sw p"></span>taken, above the line <span class="sw s"></span>saved, below it; both at'
    " the ports"
)
NIGHT_KEY = (
    '<p class="key">Current in ampere: the line is the mean, the band reaches from the lowest to the '
    'highest reading. ▲ under the axis: switched on; ▽: switched off. <span class="sw d"></span>grave '
    'fault <span class="sw o"></span>other fault. Shown are ports with faults, then those that took '
    "most; each on the evening of its last fault, or its last one.</p>"
)
CONTROLLERS_KEY = (
    "Orange: it did not answer. Grey: duskward itself did not run; such time counts neither for nor "
    "against a controller."
)
MANY = "Many ports at once point to the weather or to a common supply, one port alone to its own string:"
READINGS_KEY = (
    "Readings are kept from a minute before to a minute after a fault; the upright line is the fault."
)
