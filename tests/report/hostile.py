"""Names nobody should write but somebody will."""

from __future__ import annotations

MARKUP = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>"
TEMPLATE = "{{ 7 * 7 }}{% for %} ]]> --> <!--"
FORMULA = '=HYPERLINK("http://x")'
MATHS = r"$\frac{1}{0}$ $ _x ^y \n %s"
EMOJI = "🏎️💨 Ωµé 道路"
RIGHT_TO_LEFT = "סיבוב \u202eabc\u202c مسار 12"
LONG = "W" * 10_000
CONTROL = "a\x00b\x1b[31m\r\nc\u2028d[bold]e[/bold]"
STACKED = "Z" + "\u0301" * 200

HOSTILE = {
    "markup": MARKUP,
    "template": TEMPLATE,
    "formula": FORMULA,
    "maths": MATHS,
    "emoji": EMOJI,
    "right-to-left": RIGHT_TO_LEFT,
    "long": LONG,
    "control": CONTROL,
    "stacked": STACKED,
}
