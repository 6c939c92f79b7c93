"""How a report looks on screen and on A4: one style sheet, no font that is not there already."""

__all__ = ["CSS"]

CSS = """
:root { --ink: #1c2430; --soft: #5b6675; --line: #d9dde3; --paper: #ffffff; --desk: #eceae4; --sea: #0b5563;
        --amber: #8a5a00; --rust: #9b2226; }
* { box-sizing: border-box; }
html { background: var(--desk); -webkit-print-color-adjust: exact; print-color-adjust: exact; }
body { margin: 0; color: var(--ink); font: 10.2pt/1.42 "Segoe UI", "Helvetica Neue", "Noto Sans", Arial, sans-serif;
       font-variant-numeric: tabular-nums; }
.sheet { background: var(--paper); max-width: 210mm; margin: 8mm auto; padding: 14mm 16mm 10mm;
         box-shadow: 0 1px 4px rgba(28, 36, 48, .18); }
.sheet > header { border-bottom: 2.5pt solid var(--sea); margin-bottom: 4mm; padding-bottom: 2mm; }
h1 { font-size: 17pt; line-height: 1.2; margin: 0; overflow-wrap: anywhere; }
h2.l1 { font-size: 15pt; margin: 0 0 4mm; border-bottom: 1.5pt solid var(--sea); padding-bottom: 1.5mm; }
h3.l2 { font-size: 12pt; margin: 6mm 0 1.5mm; overflow-wrap: anywhere; break-after: avoid; }
.sheet > h3.l2:first-child { font-size: 14pt; margin-top: 0; border-bottom: 1.5pt solid var(--sea);
                             padding-bottom: 1.5mm; }
h4.l3 { font-size: 10.2pt; margin: 3.2mm 0 1mm; color: var(--sea); break-after: avoid; }
p { margin: 0 0 1.6mm; overflow-wrap: anywhere; }
p.small { font-size: 8.8pt; color: var(--soft); break-after: avoid; }
p.strong { font-weight: 600; color: var(--rust); }
ul { margin: 0 0 2mm; padding-left: 5mm; }
ol { margin: 0 0 2mm; padding-left: 7.5mm; }
li { margin: 0 0 1mm; overflow-wrap: anywhere; }
li::marker { color: var(--sea); font-weight: 600; }
.mind { display: block; font-size: 8.6pt; color: var(--amber); }
.facts { display: grid; grid-template-columns: 1fr 1fr; column-gap: 8mm; margin: 0 0 3mm; }
.facts div { display: flex; gap: 3mm; border-bottom: .5pt solid var(--line); padding: .6mm 0; break-inside: avoid; }
.facts dt { flex: 0 0 31mm; color: var(--soft); }
.facts dd { margin: 0; overflow-wrap: anywhere; min-width: 0; }
.facts .wide { grid-column: 1 / -1; }
.answer { display: flex; gap: 5mm; align-items: center; border: 1.2pt solid; border-left-width: 5pt;
          border-radius: 1.5mm; padding: 3mm 5mm; margin: 1mm 0 3.5mm; break-inside: avoid; }
.answer p { margin: 0; color: var(--ink); }
.answer .word { font-size: 15pt; font-weight: 650; color: inherit; line-height: 1.25; }
.answer .sign { font-size: 19pt; font-weight: 700; width: 11mm; height: 11mm; line-height: 10.4mm; flex: none;
                text-align: center; border: 1.6pt solid; border-radius: 50%; }
.answer.good { color: var(--sea); background: #f1f7f7; }
.answer.remarks { color: var(--amber); background: #fbf6ea; }
.answer.bad { color: var(--rust); background: #fbf1f0; }
.answer.open { color: var(--soft); background: #f4f5f7; }
.numbers { display: grid; grid-template-columns: 1fr 1fr 1fr; gap: 4mm; margin: 0 0 2mm; break-inside: avoid; }
.number { border-top: 1.6pt solid var(--sea); padding-top: 1.4mm; min-width: 0; }
.number h3 { margin: 0; font-size: 9pt; font-weight: 600; color: var(--soft); }
.number p { margin: 0 0 .8mm; overflow-wrap: anywhere; }
.number .value { font-size: 13.5pt; font-weight: 650; line-height: 1.25; }
.number .detail { font-size: 8.8pt; }
.number .meaning { font-size: 8.4pt; color: var(--soft); }
.grid { overflow-x: auto; margin: 0 0 3mm; }
table { border-collapse: collapse; width: 100%; font-size: 8.4pt; line-height: 1.32; }
caption { text-align: left; color: var(--soft); font-size: 8.6pt; padding: 0 0 1mm; }
th { text-align: left; font-weight: 600; color: var(--soft); border-bottom: 1pt solid var(--ink);
     vertical-align: bottom; }
th, td { padding: .7mm 2.6mm .7mm 0; vertical-align: top; }
td { border-bottom: .5pt solid var(--line); }
th:last-child, td:last-child { padding-right: 0; }
.r { text-align: right; white-space: nowrap; }
th.r { white-space: normal; }
.l { overflow-wrap: break-word; }
.n { white-space: nowrap; }
th.n { white-space: normal; }
.w1 { width: 34%; overflow-wrap: anywhere; }
.w2 { width: 21%; overflow-wrap: anywhere; }
.dense table { font-size: 7.6pt; }
.dense th, .dense td { padding-right: 1.8mm; }
.short { break-inside: avoid; }
tr { break-inside: avoid; }
thead { display: table-header-group; }
figure { margin: 2mm 0 3mm; break-inside: avoid; }
figcaption { font-size: 8.4pt; color: var(--soft); margin-top: .6mm; }
svg { display: block; width: 100%; height: auto; }
svg path { stroke-linejoin: round; }
.photo img { max-width: 100%; max-height: 120mm; display: block; }
.signatures { display: grid; grid-template-columns: 1fr 1fr; gap: 10mm; margin-top: 9mm; font-size: 8.8pt;
              color: var(--soft); break-inside: avoid; }
.signatures .line { display: block; border-bottom: .8pt solid var(--ink); height: 8mm; margin-bottom: 1mm; }
footer { margin-top: 6mm; border-top: .5pt solid var(--line); padding-top: 1.5mm; font-size: 8pt; color: var(--soft); }
footer p { margin: 0; }
footer .law { font-weight: 600; color: var(--ink); }
@media (max-width: 700px) {
  .sheet { padding: 6mm 5mm; margin: 0 0 4mm; }
  .numbers, .facts { grid-template-columns: 1fr; }
}
@page { size: A4; margin: 13mm 15mm 14mm; @bottom-right { content: counter(page) " / " counter(pages);
        font: 8pt sans-serif; color: #5b6675; } }
@media print {
  html { background: none; }
  body { font-size: 9.6pt; }
  .sheet { max-width: none; margin: 0; padding: 0; box-shadow: none; break-before: page; }
  .sheet.first { break-before: auto; }
  .grid { overflow: visible; }
}
"""
