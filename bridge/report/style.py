"""The look of the pages: colours, layout, print. Pure text.

Colours are our own, after the terminal's: blue is power, green is saved, orange is a fault, grey is quiet.
They differ in lightness too, every use of them is also told by position, shape or words, and text keeps the
contrast that WCAG 2.2 asks for (4.5 to 1), in light and dark.
"""

from collections.abc import Mapping

LIGHT: Mapping[str, str] = {
    "paper": "#faf9f6",
    "card": "#ffffff",
    "ink": "#1b2430",
    "quiet": "#56606e",
    "rule": "#d5d9e0",
    "well": "#e6e9ee",
    "power": "#0a679f",
    "saved": "#0a7356",
    "fault": "#a84400",
}
DARK: Mapping[str, str] = {
    "paper": "#12161d",
    "card": "#1a2029",
    "ink": "#e9ecf1",
    "quiet": "#a6aeba",
    "rule": "#353d4a",
    "well": "#2a323e",
    "power": "#56b4e9",
    "saved": "#45c7a0",
    "fault": "#f2a93b",
}


def _variables(colours: Mapping[str, str]) -> str:
    return "".join(f"--{name}:{value};" for name, value in colours.items())


def sheet() -> str:
    """The style sheet."""
    return (
        f":root{{color-scheme:light dark;{_variables(LIGHT)}}}"
        f"@media (prefers-color-scheme:dark){{:root{{{_variables(DARK)}}}}}"
        f"{_RULES}"
        f"@media print{{:root{{{_variables(LIGHT)}--paper:#fff}}{_PRINT}}}"
    )


_RULES = """
*{box-sizing:border-box}
body{margin:0;background:var(--paper);color:var(--ink);
font:1rem/1.5 system-ui,"Noto Sans","Liberation Sans",sans-serif}
main{max-width:64rem;margin:0 auto;padding:1.2rem 1rem 3rem}
h1{font-size:1.7rem;line-height:1.2;margin:.2rem 0 .1rem}
h2{font-size:1.05rem;line-height:1.3;margin:0;color:var(--ink)}
p{margin:.4rem 0}
.sub,.note,figcaption,.key{color:var(--quiet);font-size:.88rem}
section{border-top:2px solid var(--rule);padding:1rem 0 1.4rem}
section h2{margin-bottom:.5rem}
section>div>*+*{margin-top:.8rem}
.lead{font-size:1.25rem;line-height:1.55;margin:.6rem 0 1rem;max-width:46rem}
.lead b{white-space:nowrap}
.p{color:var(--power)}.s{color:var(--saved)}.f{color:var(--fault)}
.facts{display:grid;grid-template-columns:repeat(auto-fill,minmax(13rem,1fr));gap:.2rem 1.6rem;margin:0}
.facts div{border-top:1px solid var(--rule);padding:.45rem 0}
.facts dt{color:var(--quiet);font-size:.88rem}
.facts dd{margin:0;font-size:1.2rem;font-variant-numeric:tabular-nums}
.facts dd small{display:block;font-size:.82rem;color:var(--quiet);line-height:1.35}
.wide{overflow-x:auto}
.wide>svg{display:block;width:100%;min-width:36rem;height:auto}
figure{margin:0}
table{border-collapse:collapse;width:100%;font-size:.92rem;font-variant-numeric:tabular-nums}
caption{text-align:left;color:var(--quiet);font-size:.88rem;padding:.2rem 0 .4rem}
th,td{padding:.3rem .7rem .3rem 0;text-align:left;vertical-align:top;border-bottom:1px solid var(--rule)}
thead th{color:var(--quiet);font-weight:600;font-size:.82rem;vertical-align:bottom}
tbody th{font-weight:600;min-width:8.5rem}
.n{text-align:right;white-space:nowrap}
.when{white-space:nowrap}
tfoot td,tfoot th{border-bottom:0;border-top:2px solid var(--rule);font-weight:600}
summary{cursor:pointer;color:var(--quiet);font-size:.92rem;padding:.3rem 0}
svg.share{width:5rem;height:.6rem;display:block;margin-top:.45rem}
svg.strip{width:100%;min-width:9rem;height:.9rem;display:block;margin-top:.3rem}
svg.spark{width:12.5rem;height:2.5rem;display:block}
.nights{display:grid;grid-template-columns:repeat(auto-fill,minmax(17rem,1fr));gap:1rem 1.4rem}
.nights h3{font-size:.92rem;margin:0;line-height:1.3}
.nights svg{width:100%;height:auto;display:block}
.pair{display:grid;grid-template-columns:repeat(auto-fit,minmax(18rem,1fr));gap:1rem 1.6rem}
.pair h3{font-size:.92rem;margin:0 0 .3rem}
.pair svg{width:100%;height:auto;display:block}
ul{margin:.2rem 0;padding-left:1.1rem}li{margin:.25rem 0}
.sw{display:inline-block;width:.85em;height:.85em;vertical-align:-.08em;margin:0 .3em 0 .9em}
.sw:first-child{margin-left:0}
.sw.p{background:var(--power)}.sw.s{background:var(--saved)}
.sw.d{background:var(--fault);transform:rotate(45deg) scale(.75)}
.sw.o{border:2px solid var(--fault);border-radius:50%}
svg text{fill:var(--quiet);font-size:14px;font-family:inherit}
svg .unit{fill:var(--quiet)}svg .small{font-size:10px}
.night text{font-size:12px}
.taken{fill:var(--power)}.saved{fill:var(--saved)}.fault{fill:var(--fault)}
.fault-medium{fill:none;stroke:var(--fault);stroke-width:2}
.fault-low{fill:none;stroke:var(--quiet);stroke-width:2}
.axis{stroke:var(--quiet);stroke-width:1.2}.grid{stroke:var(--rule);stroke-width:1}
.frame{fill:none;stroke:var(--rule)}.well{fill:var(--well)}.asleep{fill:var(--quiet)}
.band{fill:var(--power);fill-opacity:.25}.mean{fill:none;stroke:var(--power);stroke-width:1.8}
.limit{stroke:var(--ink);stroke-width:1;stroke-dasharray:5 4}
.fault-line{stroke:var(--fault);stroke-width:1.4;stroke-dasharray:3 3}
.switch-on{fill:var(--ink)}.switch-off{fill:none;stroke:var(--ink);stroke-width:1.2}
.shade1{fill:var(--power);fill-opacity:.2}.shade2{fill:var(--power);fill-opacity:.4}
.shade3{fill:var(--power);fill-opacity:.6}.shade4{fill:var(--power);fill-opacity:.8}
.shade5{fill:var(--power)}
footer{border-top:2px solid var(--rule);padding-top:.8rem}
@media (max-width:40rem){svg.share{display:none}}
@media (min-width:56rem){
section{display:grid;grid-template-columns:9.5rem minmax(0,1fr);gap:0 1.6rem}
}
"""
_PRINT = """
@page{margin:14mm}
body{font-size:10pt}main{max-width:none;padding:0}
section{display:block}
figure,tr,.nights>div,.pair>div,.facts div,.lead{break-inside:avoid}
h1,h2,h3,caption{break-after:avoid}
thead{display:table-header-group}
.wide{overflow:visible}.wide>svg{min-width:0}
details{display:block}summary{display:none}
details::details-content{content-visibility:visible;display:block;height:auto}
*{-webkit-print-color-adjust:exact;print-color-adjust:exact}
"""
