"""The content of a clause of a work order's text."""

from dataclasses import dataclass, field

from afterclear.catalogue.order_words.vocabulary import Word


@dataclass(frozen=True, slots=True)
class Part:
    """A component a clause names."""

    key: str  # of the lexicon, or ``WIRING``
    of: str  # the component whose wiring it is
    start: int
    stems: frozenset[str]  # of the words that name it
    beside: bool = False  # named by a word of wiring and of a component: a plug
    words: int = 1  # that name it
    head: frozenset[str] = frozenset()  # stems of the one that says what kind of thing it is
    family: frozenset[str] = frozenset()  # stems of all its names
    kin: tuple[tuple[str, frozenset[str]], ...] = ()  # parts at the same spot, and their heads
    toward: bool = False  # a control unit, perhaps only the one a part was registered with
    kind: str = ""  # of a consumable: "fluid", "item", "work", "part"
    far: bool = False  # perhaps only where its cable broke: "cable broken at the tailgate"


@dataclass(frozen=True, slots=True)
class Act:
    """One piece of work."""

    start: int
    action: str
    weak: bool  # a noun or a form that does not say it is done: "new", "replacement"
    fills: bool = False  # "recharged"
    fits: bool = False  # "fitted": what was taken out before is no new part
    finding: bool = False  # perhaps how a thing was found: "contacts welded"
    light: bool = False  # "done": what is done with a belt is to renew it
    reset: bool = False  # a counter, or a setting
    aligns: bool = False  # "aligned": after work on an axle it is of the wheels


Places = dict[str, set[str]]  # axis -> values given


@dataclass(frozen=True, slots=True)
class Bound:
    """A component with what was done to it."""

    part: Part
    places: list[Places]
    actions: tuple[str, ...]  # in the order of the text


@dataclass(slots=True)
class Clause:
    """The text between two commas, or words such as "and"."""

    words: list[Word]
    sentence: int
    joined: bool  # by "and", not by a comma
    parts: list[Part] = field(default_factory=list)
    places: Places = field(default_factory=dict)
    acts: list[Act] = field(default_factory=list)
    said: dict[str, int] = field(default_factory=dict)  # kind -> first word
    is_state: bool = False  # it says how something is: worn, seized
    strange: int = 0  # unknown words
    loose: int = 0  # words that are no name, place, work or state: it is no item of a list
    topic: bool = False  # a colon follows: "Clutch: actuator renewed"
    named_others: bool = False  # a part that is no component
    used: list[Part] = field(default_factory=list)  # consumables: oil, filters, hoses
    used_acts: list[Act] = field(default_factory=list)  # what their names say: "oil change"
    used_words: frozenset[int] = frozenset()  # places of their names
    only_used: bool = False  # what is named and is no component is a consumable
    others: frozenset[str] = frozenset()  # stems of names of what is no component
    heads: frozenset[str] = frozenset()  # stems of kinds of parts: "switch", if none is named
    part_of: bool = False  # a known component's hose, seal, bracket
    owners: list[Part] = field(default_factory=list)  # what such a hose or seal belongs to
    causes: list[Part] = field(default_factory=list)  # only named as why, or where: "due to"
    here: bool = False  # it says who works: "we", "here"
    good: bool = False  # "ok": it was looked at
    removed: bool = False  # a thing was taken out
    bulb: bool = False  # a lamp's bulb is named
    lists_bulb: bool = False  # by a word that means no lamp as a whole
    likewise: bool = False  # "ditto": what was done to the part before
    given: bool = False  # the customer brought the part, the writer fitted it
    also: bool = False  # "also renewed": so was what stands before
    added: bool = False  # a plus stands before it
    beside: bool = False  # "with" stands before it
    begins_here: bool = False  # "today", "we": the writer's own work begins
    swaps: bool = False  # by a word that also says two parts changed places
    swapped: bool = False  # it says that they did
    wanders: bool = False  # a fault went with the part
    negated: bool = False  # "not" or "nothing" stands before the work
    denied: list[Act] = field(default_factory=list)  # the work that "not" stands before
    kept: bool = False  # the old part stayed: what is told next was done with it
    done: bool = False  # it says so, and no more: "oil change done"
    only: bool = False  # it begins with "only": with this part, and not with the one before
    echo: bool = False  # it ends in "was": so was this part
    passed: frozenset[int] = frozenset()  # places and words without meaning
    first_place: int = -1
    last_place: int = -1
    weight: float = 0.0
    void: bool = False

    @property
    def aside(self) -> bool:
        """Whether it is in brackets."""
        return self.words[0].aside

    @property
    def first_part(self) -> int:
        """Place of the first component."""
        return min((p.start for p in self.parts), default=0)

    @property
    def leads(self) -> bool:
        """Whether the work is named before the part."""
        return bool(self.acts) and self.acts[0].start < self.first_part
