"""`duskward report`: what a season cost and saved, as a page, JSON or CSV.

`gather` reads the history into plain numbers, `episodes` makes faults of alarm records; `page`, `fault_page`,
`svg` and `tables` turn numbers into text and do nothing else; `command` is what the command line calls.
"""
