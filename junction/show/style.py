"""The one stylesheet of every page: a plain bench sheet that prints in one ink.

Verdicts differ in word first, then in the weight and pattern of their frame, and in hue last, so that
the sheet still reads in grey or to a colour-blind eye.
"""

STYLESHEET = """
:root{--ink:#1d2430;--soft:#5a6472;--rule:#c9ced6;--paper:#fff;--wash:#f4f5f7;--mark:#2c4a6e}
*{box-sizing:border-box}
html{-webkit-text-size-adjust:100%}
body{margin:0;background:var(--paper);color:var(--ink);
 font:15px/1.5 "Segoe UI","Liberation Sans",Arial,sans-serif}
main,footer{max-width:62rem;margin:0 auto;padding:0 1.25rem}
main{padding-top:1.5rem}
h1{font-size:1.7rem;line-height:1.2;margin:0 0 .25rem}
h2{font-size:1.15rem;margin:2rem 0 .5rem;padding-bottom:.2rem;border-bottom:1px solid var(--rule)}
h3{font-size:1rem;margin:1.1rem 0 .3rem}
p{margin:.4rem 0}
ul{margin:.4rem 0;padding-left:1.25rem}
a{color:var(--mark)}
.lead{color:var(--soft);margin-bottom:1rem}
.num,.sure{white-space:nowrap;font-variant-numeric:tabular-nums}
.soft{color:var(--soft)}
.caution{border:2px solid var(--ink);padding:.6rem 1rem .7rem;margin:1rem 0 1.5rem}
.caution h2{border:0;margin:0 0 .2rem;padding:0;font-size:1rem}
.caution ul{margin:0;columns:2;column-gap:2.2rem}
.caution li{margin:0 0 .3rem;break-inside:avoid;font-size:.92rem}
.counts{display:flex;flex-wrap:wrap;gap:.5rem 2rem;list-style:none;margin:1rem 0;padding:0}
.counts li{min-width:5rem}
.counts data{display:block;font-size:1.6rem;font-weight:600;line-height:1.1}
.v{display:inline-block;padding:0 .5em;border:1.5px solid;border-radius:2px;font-size:.85rem;
 line-height:1.5;white-space:nowrap;background:#fff}
.v-good{color:#3d4856;border-color:#b9c0ca}
.v-leaky{color:#0c5b6b;border-style:dashed}
.v-shorted{color:#fff;background:#5b2a57;border-color:#5b2a57}
.v-open{color:#23407a;border-width:2.5px}
.v-undecided{color:#3d4856;border-style:dotted;font-style:italic}
.v-A,.v-B,.v-C,.v-none{color:#3d4856}
table{border-collapse:collapse;width:100%;font-size:.9rem;margin:.6rem 0}
th{text-align:left;font-weight:600;border-bottom:1.5px solid var(--ink);padding:.25rem .6rem .25rem 0;
 vertical-align:bottom}
td{border-bottom:1px solid var(--rule);padding:.3rem .6rem .3rem 0;vertical-align:top}
th.r,td.r{text-align:right;padding-right:1.2rem}
.beside{display:flex;flex-wrap:wrap;gap:0 2.5rem;align-items:flex-start}
.beside table.stack{flex:0 1 auto;width:auto}
.beside table.stack td,.beside table.stack th{padding-right:1.4rem}
.pair{display:flex;flex-wrap:wrap;gap:0 3rem;align-items:flex-start}
table.values{width:auto}
table.values td:first-child{min-width:7rem;color:var(--soft)}
td a{font-weight:600;text-decoration:none}
table.grid{width:auto}
table.grid th{white-space:nowrap}
table.grid th,table.grid td{padding:.25rem .7rem;border:1px solid var(--rule);text-align:center}
table.grid thead th,table.grid th[scope=row]{background:var(--wash);border-bottom:1px solid var(--rule)}
.part{border-top:1.5px solid var(--ink);margin-top:1.8rem;padding-top:.5rem}
ul.two{columns:2;column-gap:2.2rem}
ul.two li{break-inside:avoid}
.part.short{break-inside:avoid-page}
.part h3{font-size:1.15rem;margin:0 0 .2rem;display:flex;flex-wrap:wrap;gap:.3rem .7rem;align-items:baseline}
.part h3 .what{font-weight:400;color:var(--soft);font-size:.9rem}
.part h4{font-size:.92rem;margin:.8rem 0 .2rem}
.next{border-left:4px solid var(--mark);padding:.1rem 0 .1rem .8rem;margin:.6rem 0}
figure{margin:.6rem 0;break-inside:avoid}
.views{display:grid;grid-template-columns:repeat(3,1fr);gap:.5rem}
.views img{width:100%;height:auto;display:block}
dl{display:grid;grid-template-columns:auto 1fr;gap:.3rem .8rem;margin:.5rem 0}
dd{margin:0}
figcaption{font-size:.8rem;color:var(--soft)}
pre{font:.8rem/1.45 "Liberation Mono","DejaVu Sans Mono",Consolas,monospace;background:var(--wash);
 padding:.5rem .7rem;white-space:pre-wrap;overflow-wrap:anywhere;margin:.3rem 0;break-inside:avoid}
.back{font-size:.8rem;float:right}
footer{color:var(--soft);font-size:.8rem;margin-top:2.5rem;padding-bottom:2rem}
footer>*{border-top:1px solid var(--rule);padding-top:.5rem}
@media (max-width:40rem){
 main,footer{padding-left:.9rem;padding-right:.9rem}
 .num{white-space:normal}
 .views{grid-template-columns:1fr}
 .caution ul,ul.two{columns:1}
 table.grid th,table.grid td{padding:.25rem .4rem}
 .beside table.stack{flex:1 1 100%}
 table.stack thead{display:none}
 table.stack,table.stack tbody,table.stack tr,table.stack td{display:block;width:100%}
 table.stack tr{border-bottom:1.5px solid var(--rule);padding:.45rem 0}
 table.stack td,table.stack td.r{border:0;padding:.1rem 0 .1rem 6.6rem;text-align:left;
  min-height:1.5rem;position:relative;overflow-wrap:anywhere}
 table.stack td::before{content:attr(data-label);position:absolute;left:0;width:6.2rem;
  color:var(--soft);font-size:.8rem}
 table.stack td:empty{display:none}
}
@media print{
 .beside{flex-wrap:nowrap}
 @page{margin:14mm 13mm}
 body{font-size:9.5pt;line-height:1.4}
 h1{font-size:17pt}
 h2{margin-top:1.2rem}
 .caution{margin:.5rem 0 .8rem;padding:.4rem .8rem}
 .part{margin-top:1rem}
 th,td{padding-top:.15rem;padding-bottom:.15rem}
 main,footer{max-width:none;padding:0}
 h2,h3,h4{break-after:avoid}
 tr{break-inside:avoid}
 thead{display:table-header-group}
 .back{display:none}
 a{color:inherit;text-decoration:none}
 .v-shorted{-webkit-print-color-adjust:exact;print-color-adjust:exact}
}
"""
