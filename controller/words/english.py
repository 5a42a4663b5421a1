"""The English catalogue. Read as on a phone at six in the evening: short, concrete, what to do first."""

from collections.abc import Mapping, Sequence
from datetime import date
from types import MappingProxyType

CODE, DECIMAL = "en", "."

DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
    "December",
)  # fmt: skip


def joined(parts: Sequence[str]) -> str:
    """A list as it is spoken."""
    return ", ".join(parts[:-1]) + (" and " if len(parts) > 1 else "") + "".join(parts[-1:])


def weekday(day: date) -> str:
    """Its name."""
    return DAYS[day.weekday()]


def plain_day(day: date) -> str:
    """As `Thursday 16 July`."""
    return f"{weekday(day)} {day.day} {MONTHS[day.month - 1]}"


def on_day(day: date) -> str:
    """As an answer to when."""
    return f"on {plain_day(day)}"


def span(first: date, last: date) -> str:
    """One day, or from one to another."""
    if first == last:
        return on_day(first)
    begin = f"{weekday(first)} {first.day}" if first.month == last.month else plain_day(first)
    return f"from {begin} to {plain_day(last)}"


TEXTS: Mapping[str, str] = MappingProxyType({
    # The heat itself
    "heat": "up to {peak_c} {when}",
    "heat.traits": "up to {peak_c} {when} ({traits})",
    "heat.perhaps": "perhaps {hot_c} {when} (a chance of {chance_percent})",
    "heat.perhaps.traits": "perhaps {hot_c} {when} (a chance of {chance_percent}; {traits})",
    "heat.brief": "up to {peak_c} from {day:weekday} on",
    "heat.brief-one": "{peak_c} on {day:weekday}",
    "heat.brief-perhaps": "perhaps {hot_c} on {day:weekday}",
    "heat.unusual": "unusual for the place",
    "heat.low": "a heat wave of low intensity for the place",
    "heat.severe": "a severe heat wave for the place",
    "heat.extreme": "an extreme heat wave for the place",
    "heat.windy": "windy",
    "heat.dry": "very dry",
    # Days before
    "no-planting": "Stop planting and transplanting.",
    "no-planting.until": "Heat comes, {heat}. {day} is the first day with {mild_c} or less around it.",
    "no-planting.no-end": "Heat comes, {heat}. No day in sight has {mild_c} or less before and after it.",
    "no-pruning": "Stop pruning, and give no fertiliser.",
    "no-pruning.why": "Cut plants lose the leaves that shade fruit and wood. {brief:cap}.",
    "harvest": "Harvest what is ripe.",
    "harvest.why": "Ripe fruit scalds and draws water from the plant. {brief:cap}.",
    "mulch": "Mulch {zones} to {depth_cm} or more, loose, not against the stems. It takes about {loose_l} of straw.",
    "mulch.why": "Bare soil loses water to the sun. {brief:cap}.",
    "stake": "Stake and tie {zones}.",
    "stake.why": "Limp stems break in hot wind. {brief:cap}.",
    "stake.wind": "Limp stems break in hot wind, {wind_m_s} all day. {brief:cap}.",
    "check-lines": "Flush the filter and walk along the lines while water runs.",
    "check-lines.pump": "Flush the filter, look after the pump, and walk along the lines while water runs.",
    "check-lines.why": "A blocked dripper is a dry plant within a day. {brief:cap}.",
    "fill": "Fill the tanks and cans: {store_l}.",
    "fill.why": "When everybody waters, the tap is weak. {brief:cap}.",
    "fill.pots": "The pots that no line reaches need {drawn_l} in the heat. {brief:cap}.",
    "animals": "Give shade and fresh water to: {animals}.",
    "animals.why": "They cannot get away from it. {brief:cap}.",
    # The eve
    "shade.first-then": "Shade {tender} first, then {others}.",
    "shade.tender": "Shade {tender}.",
    "shade.others": "Shade {others}.",
    "shade.why": "{heat:cap}: seedlings and the newly planted have shallow roots and burn first.",
    "shade.why-others": "{heat:cap}: leaves and fruit in full sun scald.",
    "pots": "Move {zones} out of the midday and afternoon sun; keep them on their line.",
    "pots.by-hand": "Move {zones} out of the midday and afternoon sun. Off their line each needs a day: {each_l}.",
    "pots.why": "A pot of {volume_l} heats through and holds little water. {brief:cap}.",
    "mulch-back": "This evening, pull the mulch back from the line at {zones}. Put it back after the dawn soak.",
    "mulch-back.why": "It would drink the first {drunk_mm} of the soak before {day}: {saved_l}.",
    "mulch-on": "Put the mulch back over the ground at {zones}.",
    "mulch-on.why": "Bare wet ground dries fastest in the morning sun.",
    # During
    "look-at-dusk": "Look at {zones} after sunset, not at noon.",
    "look-at-dusk.why": "Leaves that hang at noon and stand again at dusk are not thirsty; those that still hang are. "
    "{day:weekday} is hot, {heat}.",
    "water-by-hand.morning": "Water by hand {day:on}, in the morning, each pot: {each_l}.",
    "water-by-hand.evening": "Water by hand {day:on}, in the evening, each pot: {each_l}.",
    "water-by-hand.why": "No line reaches them, and {day:weekday} draws {whole_l} from them in all; {heat}.",
    "water-pots.morning": "Water {zones} by hand {day:on}, in the morning: {count} pots, {each_l} each.",
    "water-pots.evening": "Water {zones} by hand {day:on}, in the evening: {count} pots, {each_l} each.",
    "water-pots.why": "They stand off their line, and {day:weekday} draws about {day_l} from each.",
    # After
    "shade-off": "Take the shade off in the evening.",
    "shade-off.pots": "Take the shade off in the evening, and put the pots back.",
    "shade-off.why": "The heat is over; it was {heat}.",
    "shade-off.calm": "At most {peak_c} up to {day}: {zones} need the light again.",
    "check-zones": "Walk past every zone once: scorched leaves, dropped flowers, dry spots along the line.",
    "check-zones.why": "It was {heat}. No probe saw thirst; a line that failed shows as one dry plant.",
    "check-zones.short": "Look closely at {zones}: scorched leaves, dropped flowers, dry spots along the line.",
    "check-zones.short-why": "By balance and probes they were short of water for so long: {each_h}. It was {heat}.",
    "plant-again": "Planting may begin again {day:on}.",
    "plant-again.why": "That day and the days on both sides stay at {mild_c} or less.",
    # The season's own
    "valves": "Try every valve, and time a bucket: {each_l_min} are expected.",
    "valves.why": "A winter clogs lines and splits joints; better found now than in the heat.",
    "probes": "Change the batteries of the probes at {zones}, and compare each after a good soak.",
    "probes.why": "Batteries die in the first hot week, and a probe that drifted in winter misleads all summer.",
    "prune": "Prune {zones} on a dry day without frost.",
    "prune.why": "They rest now. Where winters are wet, leave stone fruit until after its harvest.",
    "summer-mulch": "Mulch {zones} to {depth_cm}, once the ground is warm and well wetted.",
    "summer-mulch.why": "The dry months begin; mulch now keeps the spring's water in the ground.",
    "cloth-up": "Put up the shade cloth at {zones}, its sides up so that air passes under it.",
    "cloth-up.why": "Summer is near; still air under cloth is hotter than the open.",
    "cloth-down": "Take the shade cloth at {zones} down, or let its sides down against the wind.",
    "cloth-down.why": "The light grows weak, and winter storms tear cloth.",
    "winter": "Shut the water off at the tap, drain the lines and the filter, take pump and gauges indoors.",
    "winter.why": "Nothing needs watering until spring, and water that freezes bursts what holds it.",
    "frost": "Drain the lines and wrap the tap, the filter and the valves.",
    "frost.why": "{tmin_c} is forecast {day:on}; water that freezes bursts what holds it.",
    # The house's own
    "own": "{text}",
    "own.zones": "{text} ({zones})",
    "own.yearly": "Every year from {day}.",
    "own.before": "Heat comes, {heat}.",
    "own.in": "It is hot, {heat}.",
    "own.after": "The heat is over; it was {heat}.",
    # Around the jobs
    "caution": "Work early or late, drink, rest in the shade. Official heat warnings go first.",
    "when.by": "by {day}, {at}",
    "when.until": "until {day}, {at}",
    "when.by-night": "by the night of {day}",
    "when.until-night": "until the night of {day}",
    "takes": "about {work_min}",
    "jobs.heading": "For your hands",
    "jobs.none": "Nothing now.",
    "jobs.none-listed": "Nothing for your hands now.",
    "jobs.done": "Done {day:weekday} {at}: {what}",
    "jobs.dismissed": "Left out: {what}",
    "jobs.expired": "Too late: {what}",
    "jobs.how": "done? seepward jobs done {text}",
    # The day's message
    "digest.head": "{site}, {day}",
    "digest.heat": "Heat: {heat}.",
    "digest.fault": "Trouble: {fault}",
    "digest.thirsty": "{zone} is short of water today.",
    "digest.also": "Still open from before: {count} jobs.",
    "digest.also-one": "Still open from before: 1 job.",
    "digest.away": "Watered today: {given_l}. While you are away no jobs are asked for.",
    "digest.subject-fault": "{site}: nothing can be watered",
    "digest.subject-heat": "{site}: heat {heat}",
    "digest.subject-trouble": "{site}: something is wrong",
    "digest.subject-well": "{site}: all is well",
    "digest.subject-job": "{site}: 1 job",
    "digest.subject-jobs": "{site}: {count} jobs",
    "fault.guard": "nothing can be watered since {since}: the part that works the valves has stopped. All valves are "
    "shut. Look after the controller, and water by hand.",
    "fault.lines": "a valve cannot be worked, since {since}. Look whether water runs, and shut the tap if it does.",
    "fault.sensor": "the sensor {sensor} is not to be relied on, since {since}. Watering goes on without it; look "
    "at its battery and its place.",
    "fault.forecast": "no new forecast for two days. Watering goes on by the last one and the sensors.",
    "fault.broker": "no connection to the sensors since {since}. Watering goes on by the weather.",
    "fault.mail": "the message could not be sent by e-mail, since {since}.",
})
