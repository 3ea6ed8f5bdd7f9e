"""Drawings made by hand to hurt: the renderer must not crash, run for minutes, or read what lies outside the file.

What else the gate refuses stands in tests/engine/artwork/test_svg.py.
"""

from __future__ import annotations

from collections.abc import Iterator

from tests.hostile.damage import Case

BOX = 'viewBox="0 0 28 20"'
SHAPE = '<rect width="9" height="9"/>'
ODD = (
    "",
    "nan",
    "inf",
    "-1",
    "0",
    "1e999",
    "-1e308",
    "1e-300",
    "9" * 400,
    "1px;",
    "0x10",
    "١٢",
    "1 2",
    "1e",
    "\u2212 5",
    "50%",
)


def svg(body: str, root: str = BOX, head: str = "") -> bytes:
    """A drawing."""
    return f'{head}<svg xmlns="http://www.w3.org/2000/svg" {root}>{body}</svg>'.encode()


def crafted_svg() -> Iterator[Case]:
    """All of them."""
    for name, data in (*_costly(), *_odd(), *_outside()):
        yield Case(name=f"SVG {name}", data=data)


def _costly() -> Iterator[tuple[str, bytes]]:
    yield "of one element with 20,000 attributes", svg("<rect " + " ".join(f'a{i}="1"' for i in range(20_000)) + "/>")
    yield "of 3,000 declarations in a style", svg(f'<rect style="{"fill:red;" * 3000}"/>' * 100)
    yield "of 2,000 blurs", svg(f'<rect width="9" height="9" style="filter:{"blur(9px) " * 2000}"/>')
    yield "of 2,000 blurs in a sheet", svg(f"<style>rect{{filter:{'blur(9px) ' * 2000}}}</style>{SHAPE}")
    steps = '<feGaussianBlur stdDeviation="900"/>' * 5000
    yield "of 5,000 filter steps", svg(f'<filter id="f">{steps}</filter><rect filter="url(#f)" width="9" height="9"/>')
    yield "of a long sheet", svg(f"<style>{'g g g g rect{fill:red}' * 9000}</style>{SHAPE * 3000}")
    yield "of a long rule", svg(f"<style>rect{{{'fill:red;' * 90_000}}}</style>{SHAPE * 3000}")
    yield "of remarks without end", svg(f"<style>{'/*' * 200_000}</style>{SHAPE}")
    yield "of layers by element", svg(f"<style>g{{opacity:.5}}</style>{'<g>' * 90}{SHAPE}{'</g>' * 90}" * 900)
    yield "of dashes", svg('<path d="M0 0H28V20" stroke="#000" stroke-dasharray="0.000001"/>')
    yield "of a far line", svg('<path d="M0 0H1e9" stroke="#000" stroke-dasharray="0.001"/>')
    yield "of a wide stroke", svg('<path d="M0 0H28" stroke="#000" stroke-width="1e30"/>')
    yield "made large", svg(f'<g transform="scale(1e30)">{SHAPE}</g>')
    yield "made small", svg(f'<g transform="scale(1e-30)">{SHAPE}</g>')
    yield (
        "shifted far",
        svg('<filter id="f"><feOffset dx="1e30" dy="1e30"/></filter><rect filter="url(#f)" width="9" height="9"/>'),
    )
    yield "of far corners", svg('<path d="M1e308 1e308 L-1e308 1e308 Z"/>')
    yield "of a long path", svg(f'<path d="M0 0{"L28 20L0 20L28 0" * 5000}"/>')
    yield "of many turns", svg(f'<rect width="9" height="9" transform="{"rotate(1) " * 50_000}"/>')
    yield (
        "of many stops",
        svg(f'<linearGradient id="g">{"<stop/>" * 9000}</linearGradient><rect width="9" height="9" fill="url(#g)"/>'),
    )
    yield "of a long title", svg(f"<title>{'x' * 2_000_000}</title>{SHAPE}")
    yield "of many names", svg("<g " + " ".join(f'xmlns:a{i}="u{i}"' for i in range(200)) + f">{SHAPE * 200}</g>")
    yield "of long names", svg(f"<{'a' * 100_000}/>")
    yield "nested 300 deep", svg("<g>" * 300 + SHAPE + "</g>" * 300)
    yield "nested 100,000 deep", svg("<g>" * 100_000)
    doubled = "".join(f'<g id="l{i}"><use href="#l{i + 1}"/><use href="#l{i + 1}"/></g>' for i in range(30))
    yield "that doubles 30 times", svg(f'{doubled}<g id="l30">{SHAPE}</g><use href="#l0"/>')
    clips = "".join(f'<clipPath id="c{i}" clip-path="url(#c{i + 1})">{SHAPE}</clipPath>' for i in range(40))
    yield "of clips in clips", svg(f'{clips}<rect width="9" height="9" clip-path="url(#c0)"/>')
    for kind in ("mask", "clipPath", "linearGradient", "filter", "symbol", "g"):
        inner = f'<{kind} id="a" mask="url(#a)" clip-path="url(#a)" filter="url(#a)" href="#a">{SHAPE}</{kind}>'
        yield (
            f"whose {kind} refers to itself",
            svg(inner + '<use href="#a"/><rect width="9" height="9" fill="url(#a)"/>'),
        )


def _odd() -> Iterator[tuple[str, bytes]]:
    """Numbers that are none in every place that takes one."""
    for value in ODD:
        yield f"of width {value[:9]!r}", svg(SHAPE, f'width="{value}" height="9"')
        yield f"of a box of {value[:9]!r}", svg(SHAPE, f'viewBox="{value} {value} {value} {value}"')
        yield f"of a box far at {value[:9]!r}", svg(SHAPE, f'viewBox="{value} {value} 9 9"')
        yield f"at {value[:9]!r}", svg(SHAPE, f'{BOX} x="{value}" y="{value}"')
        yield (
            f"of a shape of {value[:9]!r}",
            svg(f'<rect x="{value}" y="{value}" width="{value}" height="{value}" rx="{value}"/>'),
        )
        yield f"of a circle of {value[:9]!r}", svg(f'<circle r="{value}" stroke="#000" stroke-width="{value}"/>')
        yield (
            f"of a path of {value[:9]!r}",
            svg(f'<path d="M0 0 L{value} {value} A{value} 1 {value} 0 1 5 {value} Z"/>'),
        )
        yield f"turned by {value[:9]!r}", svg(f'<g transform="rotate({value}) scale({value})">{SHAPE}</g>')
        yield (
            f"blurred by {value[:9]!r}",
            svg(f'<filter id="f"><feGaussianBlur stdDeviation="{value}"/></filter>{SHAPE}'),
        )
        yield (
            f"filtered by {value[:9]!r}",
            svg(f'<filter id="f" x="{value}" width="{value}"/><g filter="url(#f)">{SHAPE}</g>'),
        )
        yield (
            f"of colours {value[:9]!r}",
            svg(f'<rect width="9" height="9" fill="rgb({value},{value},0)" opacity="{value}"/>'),
        )
    yield "flat as a line", svg(SHAPE, 'viewBox="0 0 900000 1"')
    yield "high as a line", svg(SHAPE, 'viewBox="0 0 1 900000"')


def _outside() -> Iterator[tuple[str, bytes]]:
    """Ways out of the file, beyond those that the gate's own tests know."""
    for link in (
        "/etc/passwd", "etc/passwd", "FILE:///etc/passwd", "//host/a.png", "\\\\host\\a.png", "data:image/png,x",
        "data:image/png;base64,", "data:image/gif;base64,R0lGODlh", "data:text/plain;base64,eA==",
        " &#10;http://host/a.png", "javascript:1", "#a b", "#", "", "jar:file:///a!/b",
    ):  # fmt: skip
        for element in ("image", "use", "a", "linearGradient", "mpath", "filter"):
            yield f"with {link!r} in {element}", svg(f'<{element} id="x" href="{link}" width="9" height="9"/>')
    for head in (
        '<!DOCTYPE svg [<!ENTITY a "a"><!ENTITY b "&a;&a;&a;">]>',
        '<?xml version="1.0" encoding="UTF-7"?>',
        '<?xml version="1.1"?>',
        '<?xml version="1.0" standalone="no"?><?include /etc/passwd?>',
        '<?xml-stylesheet href="/etc/passwd"?>',
    ):
        yield f"after {head[:40]}", svg(SHAPE, head=head)
    for inner in (
        "&#0;",
        "&#xD800;",
        "&#x110000;",
        "&a;",
        "]]>",
        "<![CDATA[<rect/>]]>",
        "<!-- -- -->",
        "\x01",
        "\ufffe",
    ):
        yield f"holding {inner!r}", svg(f"<title>{inner}</title>{SHAPE}")
    xinclude = '<i:include xmlns:i="http://www.w3.org/2001/XInclude" href="/etc/passwd" parse="text"/>'
    yield "that includes", svg(xinclude)
