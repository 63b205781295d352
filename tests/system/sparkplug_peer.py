"""Read data by pysparkplug, given where it is installed; run in a process of its own.

From standard input: a device's birth and its data, as hexadecimal. Gives [name, value, time,
historical] of each metric.
"""

import json
import sys

sys.path.insert(0, sys.argv[1])

from pysparkplug import DBirth, DData

given = json.load(sys.stdin)
birth = DBirth.decode(bytes.fromhex(given["birth"]))
found = []
for data in given["data"]:
    read = DData.decode(bytes.fromhex(data), birth=birth)
    found += [
        [each.name, each.value, each.timestamp, bool(each.is_historical)] for each in read.metrics
    ]
json.dump(found, sys.stdout)
