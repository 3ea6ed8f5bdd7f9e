"""What an SVG must pass before it is drawn.

The renderer opens files that an SVG names, takes fonts from the machine, and can be made to crash, to fill the memory
or to run for hours. So everything is refused that isn't known to be harmless, each with its mend: a list of allowed
elements, references inside the file only, limits on nesting, on repetition, on layers and on styles, no text.
"""

from __future__ import annotations

import base64
import binascii
import re
from dataclasses import dataclass, field
from typing import NoReturn
from xml.parsers import expat

from worker.engine.artwork.svg_styles import LAYERS_PER_FILTER, attribute_fault, reaches_unclassed, sheet_fault
from worker.errors import ArtworkError

MAX_BYTES = 16 * 1024 * 1024
MAX_DEPTH = 100
MAX_ELEMENTS = 100_000
MAX_DRAWN_ELEMENTS = 1_000_000
MAX_USE_CHAIN = 32
MAX_BLUR = 1000.0
MAX_ATTRIBUTES = 250  # of one element; the renderer compares each with every other

_SVG = "http://www.w3.org/2000/svg "
_SHAPES = "path rect circle ellipse line polyline polygon image"
_STRUCTURE = "svg g defs symbol use a switch view title desc metadata style"
_PAINT = "linearGradient radialGradient stop clipPath mask"
_FILTERS = (
    "filter feGaussianBlur feOffset feFlood feComposite feMerge feMergeNode feBlend feColorMatrix feDropShadow "
    "feComponentTransfer feFuncR feFuncG feFuncB feFuncA"
)
_STEPS = frozenset(_FILTERS.split()) - {"filter", "feFuncR", "feFuncG", "feFuncB", "feFuncA", "feMergeNode"}
_ANIMATION = frozenset(["animate", "animateTransform", "animateMotion", "set", "mpath"])
ALLOWED = frozenset(f"{_SHAPES} {_STRUCTURE} {_PAINT} {_FILTERS}".split()) | _ANIMATION
_TEXT = frozenset(["text", "tspan", "tref", "textPath"])
_GRADIENTS = frozenset(("linearGradient", "radialGradient"))
_LAYERED = re.compile(r"(?<![\w-])(opacity|mask|clip-path|filter|mix-blend-mode|isolation)\s*:")
_LAYER_ATTRIBUTES = ("opacity", "mask", "clip-path", "filter", "mix-blend-mode", "isolation")
_URL = re.compile(r"url\(\s*(['\"]?)\s*#([^'\")]+?)\s*\1\s*\)", re.IGNORECASE)
_DATA_IMAGE = re.compile(r"\s*data:image/(?:png|jpe?g);base64,", re.IGNORECASE)
_DECLARED_ENCODING = re.compile(r"<\?xml[^>]*?encoding\s*=\s*['\"]([A-Za-z0-9._-]+)['\"]")


@dataclass(slots=True, kw_only=True)
class _Part:
    """An element with all in it: how much it draws."""

    id: str | None
    gradient: bool
    own_layers: int
    elements: int = 1
    layers: int = 0
    deepest: int = 0
    references: list[tuple[str, int]] = field(default_factory=list)

    def take(self, inner: _Part) -> None:
        self.elements += inner.elements
        self.layers += inner.layers
        self.deepest = max(self.deepest, self.own_layers + inner.deepest)
        self.references += [(target, self.own_layers + above) for target, above in inner.references]


@dataclass(frozen=True, slots=True, kw_only=True)
class GatedSvg:
    """An SVG that may be drawn.

    `root` is its root element's text with its attributes in `attributes`; `layers` are the picture-sized layers that
    drawing it takes in all, and `deepest` at the same time; `images` the embedded pictures.
    """

    root: str
    attributes: dict[str, str]
    layers: int
    deepest: int
    images: tuple[bytes, ...]
    warnings: tuple[str, ...]


def gate_svg(data: bytes, *, name: str) -> GatedSvg:
    """Check an SVG. Raises ArtworkError, naming the line and the mend."""
    if len(data) > MAX_BYTES:
        raise ArtworkError(
            f"{name}: the SVG has {len(data):,} bytes; the limit is {MAX_BYTES:,}.",
            mend="Simplify its paths, or save it as PNG.",
        )
    text = _decoded(data, name)
    return _Gate(name).run(text)


def _decoded(data: bytes, name: str) -> str:
    try:
        if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
            return data.decode("utf-16")
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise ArtworkError(f"{name}: byte {error.start} of the SVG is not UTF-8.", mend="Save it as UTF-8.") from error
    declared = _DECLARED_ENCODING.match(text.lstrip()[:200])
    if declared and declared[1].lower() not in ("utf-8", "utf8", "us-ascii", "ascii"):
        raise ArtworkError(f"{name}: the SVG states the encoding {declared[1]}.", mend="Save it as UTF-8.")
    return text


class _Gate:
    """Walks one SVG."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.parser = expat.ParserCreate("utf-8", namespace_separator=" ")
        self.parser.StartElementHandler = self.start
        self.parser.EndElementHandler = self.end
        self.parser.CharacterDataHandler = self.characters
        self.parser.StartDoctypeDeclHandler = self.doctype
        self.parser.ProcessingInstructionHandler = self.instruction
        self.parser.buffer_text = True
        self.stack: list[_Part] = []
        self.parts: dict[str, _Part] = {}
        self.whole: _Part | None = None
        self.root_offset = 0
        self.attributes: dict[str, str] = {}
        self.elements = 0
        self.with_class = 0
        self.steps: list[int] = []
        self.deepest_nesting = 0
        self.style: list[str] | None = None
        self.sheets: list[str] = []
        self.images: list[bytes] = []
        self.animated = False

    def run(self, text: str) -> GatedSvg:
        encoded = text.lstrip().encode("utf-8")
        try:
            self.parser.Parse(encoded, True)
        except expat.ExpatError as error:
            raise ArtworkError(
                f"{self.name}: line {error.lineno}: the SVG is not well-formed XML: {expat.ErrorString(error.code)}.",
                mend="Save it again from the program that made it.",
            ) from error
        assert self.whole is not None  # expat refuses a document without a root
        sheet = "".join(self.sheets)
        self.check_css(sheet, "a <style>")
        drawn, layers, deepest = self.drawn(self.whole, ())
        if drawn > MAX_DRAWN_ELEMENTS:
            self.fail(
                f"with everything that it repeats by reference, it draws {drawn:,} elements; "
                f"the limit is {MAX_DRAWN_ELEMENTS:,}",
                "Repeat less, or save it as PNG.",
            )
        self.refuse(sheet_fault(sheet, self.elements))
        styled = self.elements if reaches_unclassed(sheet) else self.with_class
        by_class = len(set(_LAYERED.findall(sheet))) + (LAYERS_PER_FILTER if "filter" in sheet else 0)
        warnings = ("The SVG is animated: it is drawn in its first state.",) if self.animated else ()
        return GatedSvg(
            root=encoded[self.root_offset :].decode("utf-8"),
            attributes=self.attributes,
            layers=layers + by_class * styled,
            deepest=deepest + (self.deepest_nesting if by_class else 0),
            images=tuple(self.images),
            warnings=warnings,
        )

    def fail(self, what: str, mend: str) -> NoReturn:
        raise ArtworkError(f"{self.name}: line {self.parser.CurrentLineNumber} of the SVG: {what}.", mend=mend)

    def refuse(self, fault: tuple[str, str] | None) -> None:
        if fault is not None:
            self.fail(*fault)

    def doctype(self, *_: object) -> None:
        self.fail("it has a <!DOCTYPE>", "Delete the <!DOCTYPE ...> line: drawing programs don't need it.")

    def instruction(self, target: str, _: str) -> None:
        if target == "xml-stylesheet":
            self.fail("it names a style sheet outside", "Put the styles into the file, and delete this line.")

    def characters(self, text: str) -> None:
        if self.style is not None:
            self.style.append(text)

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        element = tag.removeprefix(_SVG) if tag.startswith(_SVG) else ""
        if not self.stack:
            if element != "svg":
                self.fail(
                    f"its root is <{tag.rpartition(' ')[2][:60]}>, not <svg> in SVG's namespace",
                    'Start the file with <svg xmlns="http://www.w3.org/2000/svg" ...>.',
                )
            self.root_offset = self.parser.CurrentByteIndex
            self.attributes = attributes
        self.count(attributes)
        if element or not tag.partition(" ")[2]:
            self.check_element(element or tag)
        references = self.check_attributes(element, attributes)
        self.check_steps(element)
        own = self.own_layers(attributes)
        filtered = "filter" in attributes or "filter" in attributes.get("style", "")
        part = _Part(
            id=attributes.get("id"),
            gradient=element in _GRADIENTS,
            own_layers=own,
            layers=own + (LAYERS_PER_FILTER if filtered else 0),
            deepest=own,
            references=[(target, own) for target in references],
        )
        self.stack.append(part)
        self.animated = self.animated or element in _ANIMATION
        if element == "style":
            self.style = []

    def end(self, tag: str) -> None:
        part = self.stack.pop()
        if tag == f"{_SVG}filter":
            self.steps.pop()
        if tag == f"{_SVG}style" and self.style is not None:
            self.sheets.append("".join(self.style) + "\n")
            self.style = None
        if part.id is not None:
            self.parts.setdefault(part.id, part)
        if self.stack:
            self.stack[-1].take(part)
        else:
            self.whole = part

    def count(self, attributes: dict[str, str]) -> None:
        self.elements += 1
        self.with_class += "class" in attributes
        self.deepest_nesting = max(self.deepest_nesting, len(self.stack) + 1)
        if len(attributes) > MAX_ATTRIBUTES:
            self.fail(
                f"an element has {len(attributes):,} attributes; the limit is {MAX_ATTRIBUTES}", "Save it as plain SVG."
            )
        if len(self.stack) >= MAX_DEPTH:
            self.fail(f"elements are nested deeper than {MAX_DEPTH}", "Ungroup the drawing.")
        if self.elements > MAX_ELEMENTS:
            self.fail(f"it has more than {MAX_ELEMENTS:,} elements", "Join paths of one colour, or save it as PNG.")

    def check_element(self, element: str) -> None:
        if element in _TEXT:
            self.fail(
                f"<{element}> would be drawn with the fonts of whichever machine draws it",
                "Convert text to paths in your drawing program, and save it again.",
            )
        if element not in ALLOWED:
            self.fail(
                f"<{element[:60]}> is not drawn here",
                "Turn it into plain shapes in your drawing program, or remove it.",
            )

    def check_attributes(self, element: str, attributes: dict[str, str]) -> list[str]:
        """Raise where an attribute reaches outside; the ids that the element draws by reference."""
        references: list[str] = []
        for key, value in attributes.items():
            local = key.rpartition(" ")[2]
            if local in ("href", "src"):
                references += self.check_reference(element, local, value)
            elif local == "style" or "url" in value.lower() or "\\" in value:
                self.check_css(value, local)
                references += [found[2] for found in _URL.finditer(value)]
            elif local == "stdDeviation":
                self.check_blur(value)
            if local in ("style", "filter"):
                self.refuse(attribute_fault(local, value))
        if element == "filter":
            self.check_filter(attributes)
        return references

    def check_reference(self, element: str, key: str, value: str) -> list[str]:
        if value.strip().startswith("#"):
            return [value.strip()[1:]] if element == "use" else []
        found = _DATA_IMAGE.match(value)
        if element != "image" or found is None:
            self.fail(
                f"{key}={value[:60]!r} leads out of the file",
                "Embed pictures (as data:image/png or data:image/jpeg, base64), and remove links.",
            )
        try:
            self.images.append(base64.b64decode("".join(value[found.end() :].split()), validate=True))
        except (binascii.Error, ValueError):
            self.fail("an embedded picture is not valid base64", "Embed the picture again.")
        return []

    def check_css(self, css: str, where: str) -> None:
        lowered = css.lower()
        if "\\" in css:
            self.fail(f"{where} has a backslash in its CSS", "Write the styles without escapes.")
        for rule in ("@import", "@font-face"):
            if rule in lowered:
                self.fail(f"{where} has {rule}", "Remove it: nothing outside the file is loaded.")
        if lowered.count("url(") != len(_URL.findall(css)):
            self.fail(f"{where} has a url() that leads out of the file", "Refer to ids in the file only: url(#id).")

    def check_steps(self, element: str) -> None:
        if element == "filter":
            self.steps.append(0)
        elif self.steps and element in _STEPS:
            self.steps[-1] += 1
            if self.steps[-1] > LAYERS_PER_FILTER:
                self.fail(
                    f"a <filter> has more than {LAYERS_PER_FILTER} steps", "Use fewer effects, or save it as PNG."
                )

    def check_blur(self, value: str) -> None:
        for number in value.replace(",", " ").split():
            if not _is_number(number) or not 0.0 <= float(number) <= MAX_BLUR:
                self.fail(f"stdDeviation={value[:40]!r}", f"Use a blur of 0 to {MAX_BLUR:g}.")

    def check_filter(self, attributes: dict[str, str]) -> None:
        """Filter regions far beyond the shape take the renderer minutes."""
        if attributes.get("filterUnits", "objectBoundingBox") != "objectBoundingBox":
            self.fail("a <filter> has filterUnits other than objectBoundingBox", "Give its region in per cent.")
        for key, low, high in (("x", -1.0, 1.0), ("y", -1.0, 1.0), ("width", 0.0, 3.0), ("height", 0.0, 3.0)):
            value = attributes.get(key, "0").strip()
            share = value.removesuffix("%")
            if not _is_number(share) or not low <= float(share) / (100.0 if value.endswith("%") else 1.0) <= high:
                self.fail(f"a <filter> has {key}={value[:40]!r}", f"Choose {low:.0%} to {high:.0%} for {key}.")

    @staticmethod
    def own_layers(attributes: dict[str, str]) -> int:
        found = [key for key in _LAYER_ATTRIBUTES if attributes.get(key, "none").strip() not in ("none", "1", "auto")]
        return len({*found, *_LAYERED.findall(attributes.get("style", ""))})

    def drawn(self, part: _Part, chain: tuple[str, ...]) -> tuple[int, int, int]:
        """Elements, layers and deepest stack of layers that a part draws, with all that it refers to."""
        return self._drawn(part, chain, {})

    def _drawn(
        self, part: _Part, chain: tuple[str, ...], known: dict[str, tuple[int, int, int]]
    ) -> tuple[int, int, int]:
        elements, layers, deepest = part.elements, part.layers, part.deepest
        for target, above in part.references:
            inner = self.parts.get(target)
            if inner is None or inner.gradient:
                continue
            if target in chain or len(chain) >= MAX_USE_CHAIN:
                raise ArtworkError(
                    f"{self.name}: in the SVG, #{target[:60]} is drawn inside itself, or references go deeper than "
                    f"{MAX_USE_CHAIN}.",
                    mend="Break the circle, or expand the clones in your drawing program.",
                )
            if target not in known:
                known[target] = self._drawn(inner, (*chain, target), known)
            more = known[target]
            elements, layers = elements + more[0], layers + more[1]
            deepest = max(deepest, above + more[2])
        return elements, layers, deepest


def _is_number(text: str) -> bool:
    return re.fullmatch(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?", text) is not None
