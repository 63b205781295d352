"""What a test looks up after an act at the desk."""

FIVE = ("112.4 µs", "112.9 µs", "112.7 µs", "112.8 µs", "112.5 µs")


def values_of(bench, step):
    """Give the stored values that a step holds, in order."""
    held = bench.service.readings_of(bench.state)
    return [held[id_]["value"] for id_ in bench.step(step).readings]


def tag_of(bench, reading):
    """Give the tag that now holds for a reading."""
    return next(body["tag"] for body in bench.reader.readings() if body["id"] == str(reading))
