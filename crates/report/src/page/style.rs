//! The look: paper and ink, one serif for sentences, one sans for figures, colours that colour-
//! blind readers tell apart (after Okabe & Ito 2008, from memory), shapes wherever a colour means
//! something, black and white on paper.

/// The whole style sheet.
pub(crate) const STYLE: &str = "
:root{color-scheme:light dark;--paper:#fcfbf8;--ink:#1d2125;--soft:#5d656c;--hair:#d9d6cd;--band:#e7e4da;
--line:#0b5c8a;--red:#b5341c;--orange:#e08a00;--yellow:#f0d800;--blue:#0072b2;--on:#b5341c;--bar:#0b5c8a;--bar0:#b9c3c9}
@media (prefers-color-scheme:dark){:root{--paper:#15181a;--ink:#e4e2dc;--soft:#a0a8ad;--hair:#383d41;--band:#272c2f;
--line:#6cb8e6;--red:#c9472e;--on:#ff9a7a;--bar:#6cb8e6;--bar0:#4d575d}}
*{box-sizing:border-box}
html{background:var(--paper);color:var(--ink);font:16px/1.5 Charter,'Bitstream Charter','Sitka Text',Cambria,Georgia,serif;-webkit-text-size-adjust:100%}
body{margin:0 auto;max-width:76rem;padding:1.2rem clamp(.8rem,3vw,2.5rem) 3rem}
h1,h2,h3{line-height:1.2;font-weight:600;text-wrap:balance}
h1{font-size:2.1rem;margin:.1rem 0 .6rem}h1 .date{color:var(--soft);font-weight:400;white-space:nowrap}
h2{font-size:1.3rem;margin:2.4rem 0 .5rem}h3{font-size:1rem;margin:1.2rem 0 .3rem}
p{margin:.4rem 0;max-width:48rem}ul{margin:.4rem 0;padding-left:1.2rem;max-width:48rem}
a{color:inherit;text-decoration-color:var(--soft);text-underline-offset:.15em}
header{border-bottom:3px double var(--ink);padding-bottom:.7rem}
.site{letter-spacing:.02em;margin:0;color:var(--soft)}.counts{font-size:1.12rem}
.up a{display:inline-block;padding:.4rem 0;min-height:24px}.fine,.sub,.cap,.budget,.up{font-size:.86rem;color:var(--soft)}.budget{margin-top:0}
.defs{position:absolute}.vh{position:absolute;width:1px;height:1px;overflow:hidden;clip-path:inset(50%);white-space:nowrap}.paper{display:none}
.wide{width:100%;max-width:60rem}.wide td:nth-child(3){white-space:nowrap}.wide td,.wide th,.beside td,.beside th,li{overflow-wrap:anywhere}
.how{font-size:.86rem;color:var(--soft);margin:.2rem 0 .8rem}.how summary{cursor:pointer}code{font:.82rem/1.4 ui-monospace,'DejaVu Sans Mono',Menlo,Consolas,monospace;overflow-wrap:anywhere;color:var(--ink)}
table,.pt,.tag,figcaption,svg text,.card{font-family:system-ui,'Segoe UI','Noto Sans',Roboto,'Helvetica Neue',Arial,sans-serif}
table{border-collapse:collapse;font-size:.86rem;line-height:1.35;font-variant-numeric:tabular-nums}
th{text-align:left;font-weight:600}thead th{color:var(--soft);font-weight:400;vertical-align:bottom}
td,th{padding:.22rem .7rem .22rem 0;vertical-align:top}.n{text-align:right}
.over{margin:.4rem 0}.over tbody tr{border-top:1px solid var(--hair)}.over .none th,.over .none td{color:var(--soft);font-weight:400}
.list{width:100%;table-layout:fixed}.list th:nth-child(1){width:2.2rem}.list th:nth-child(2){width:16%}.list th:nth-child(3){width:4.6rem}.list th:nth-child(4){width:11%}.list th:nth-child(5){width:4rem}.list th:nth-child(6),.list th:nth-child(7){width:14%}.list th:nth-child(8){width:5.4rem}.list th:nth-child(9){width:5.2rem}.list td:nth-child(9){padding-left:.2rem}.list tbody{border-top:1px solid var(--hair);break-inside:avoid}.list tbody td{padding-top:.5rem}
.list .why td{font:1rem/1.5 Charter,'Bitstream Charter','Sitka Text',Cambria,Georgia,serif;padding:.1rem 0 .8rem;overflow-wrap:anywhere}
.list .why .next{display:block;max-width:52rem}.rank{font-size:1.05rem;font-weight:600}.who{overflow-wrap:anywhere}
.spark{min-width:0}.sp{display:block;width:100%}.cap{display:block;line-height:1.1}
.sign{white-space:nowrap;font-weight:600}.sign svg{vertical-align:-.22em;margin-right:.25em}
.ch{white-space:nowrap}.ch.new,.ch.worse{font-weight:600}
.meter{border-top:3px double var(--ink);margin-top:3rem;break-before:page;content-visibility:auto;contain-intrinsic-size:auto 1400px}.meter h2{font-size:1.6rem;margin:1rem 0 0;overflow-wrap:anywhere}.sub{margin-top:0}
.entry{border-left:4px solid var(--line);padding:.1rem 0 .1rem .9rem;margin:.9rem 0}
.tag{font-size:.9rem;margin:0;font-variant-numeric:tabular-nums}
dl{margin:.3rem 0;display:grid;grid-template-columns:minmax(6.5rem,max-content) 1fr;gap:.15rem .9rem;max-width:60rem}
dt{color:var(--soft);font-size:.86rem;padding-top:.12rem}dd{margin:0;overflow-wrap:anywhere}
.care{border:1px solid var(--ink);padding:.4rem .8rem;max-width:60rem;font-size:.9rem}
.fig{margin:1.2rem 0;break-inside:avoid}.row{display:grid;grid-template-columns:3.4rem minmax(0,1fr);column-gap:.35rem}
.pt{font-size:.82rem;margin:.55rem 0 .12rem;display:flex;flex-wrap:wrap;gap:0 .9rem}.rd{color:var(--soft)}.key svg{vertical-align:-.1em}
.fig svg{display:block;width:100%;overflow:visible}.key svg{display:inline-block!important;width:12px!important;margin-right:.2em}.box{background:linear-gradient(var(--hair),var(--hair)) 0 100%/100% 1px no-repeat}
svg text{font-size:11px;fill:var(--soft)}.yl text{text-anchor:end}.fl{text-anchor:middle;font-weight:600;fill:var(--ink)!important}.fl.cg{fill:var(--on)!important}
.ln{fill:none;stroke:var(--line);stroke-width:1.5;vector-effect:non-scaling-stroke;stroke-linejoin:round;stroke-linecap:round}
.cl{fill:var(--line)}.bd{fill:var(--band)}.fr{fill:url(#ha)}.gr{stroke:var(--hair);stroke-width:1}.lb{paint-order:stroke;stroke:var(--paper);stroke-width:3px;stroke-linejoin:round}.lm{stroke:var(--ink);stroke-width:1;stroke-dasharray:7 3}
.ep{stroke:var(--soft);stroke-width:1}.on{stroke:var(--on);stroke-width:1.4;stroke-dasharray:1.5 3}
.k1{fill:var(--ink);stroke:var(--paper);stroke-width:.8}.k0{fill:var(--paper);stroke:var(--ink);stroke-width:1.3}.kx{stroke:var(--ink);stroke-width:1.6;fill:none}

.kept{display:flex;flex-wrap:wrap;gap:.4rem 1.6rem;align-items:flex-start;margin:.4rem 0;break-inside:avoid}.kept svg{flex:none}
figcaption{font-size:.8rem;color:var(--soft);margin-top:.2rem;padding-left:3.75rem}.ev{white-space:nowrap}.ev b{color:var(--ink)}
.two{display:grid;grid-template-columns:repeat(auto-fit,minmax(min(100%,27rem),1fr));gap:0 3rem}
.bars{width:100%}.bars th{font-weight:400}.pr th{white-space:nowrap}.bars td,.bars th{vertical-align:middle;padding:.08rem .6rem .08rem 0}.bars .bar{width:30%;min-width:4.5rem}.pr .bar{width:68%}.bars .n{white-space:nowrap}.bars .w{white-space:normal;min-width:6rem}
.bars thead .bar{white-space:nowrap}.bars svg{display:block}.b1{fill:var(--bar)}.b0{fill:var(--bar0)}.ru{stroke:var(--ink);stroke-width:2}.mid{padding:0 .6em}
footer{border-top:3px double var(--ink);margin-top:3rem;padding-top:.2rem}.card{font-size:.78rem;color:var(--soft);overflow-wrap:anywhere}.card span{margin-right:1em}
@media screen and (max-width:52rem){
html{font-size:15px}.list thead{display:none}.list,.list tbody,.list tr,.list td{display:block}.list tbody{padding:.5rem 0}
.list tr:first-child{display:flex;flex-wrap:wrap;gap:.1rem .9rem;align-items:baseline}.list tbody td{padding:0}.list .why td:first-child{display:none}
.list td[data-k]::before,.over td[data-k]::before{content:attr(data-k) ' ';color:var(--soft)}
.spark{flex:1 1 9rem}.who{flex:1 1 60%}
.over{width:100%}.over thead{display:none}.over tr{display:flex;flex-wrap:wrap;gap:0 .9rem;padding:.25rem 0}.over td,.over th{padding:0;text-align:left}.over th{flex:1 1 100%}.over .none{display:none}
dl{display:block}.row{grid-template-columns:2.6rem minmax(0,1fr)}figcaption{padding-left:0}.pr .bar{width:55%}.bars td,.bars th{padding-right:.4rem}.bars th{white-space:normal}
.wide thead{display:none}.wide tr{display:flex;flex-wrap:wrap;gap:0 .9rem;padding:.3rem 0}.wide td:last-child{flex:1 1 100%}.wide td[data-k]:empty{display:none}
}
@media screen and (max-width:30rem){.t2{display:none}
.fa thead{display:none}.fa,.fa tbody{display:block}.fa tr{display:grid;grid-template-columns:1fr auto;gap:0 .8rem;padding:.25rem 0;border-top:1px solid var(--hair)}.fa .bar{width:auto;align-self:center}.fa td,.fa th{padding:0}}
@media screen and (min-width:104rem){body{max-width:112rem}.meter{display:grid;grid-template-columns:minmax(0,44rem) minmax(0,1fr);column-gap:3.5rem;grid-template-rows:repeat(10,auto) 1fr;align-items:start}.meter>*{grid-column:1}
.meter>.fig{grid-column:2;grid-row:1/span 12;margin-top:2rem}.meter>.two{display:block}.beside{columns:2;column-gap:3.5rem}.beside section{break-inside:avoid}.beside h2:first-child{margin-top:1.6rem}}
@media print{:root{--paper:#fff;--ink:#000;--soft:#333;--hair:#bbb;--band:#e4e4e4;--line:#000;--on:#000;--red:#000;--orange:#fff;--yellow:#fff;--blue:#000;--bar:#333;--bar0:#bbb}
@page{margin:8mm 9mm}html{font-size:9pt;line-height:1.3}body{max-width:none;padding:0}h2{margin:1.3rem 0 .3rem}h1,h2,h3,.budget,thead{break-after:avoid}
a{text-decoration:none}.up,.np,.how{display:none}.over .none{display:none}.lh{display:flex;align-items:baseline;gap:1.2em;break-after:avoid;margin-top:.2rem}.lh h2{margin-bottom:0!important;white-space:nowrap}.wide thead th{white-space:nowrap}.wide th[scope=row]{min-width:5rem}.list thead th{font-size:6.2pt;line-height:1;padding-bottom:0;padding-right:.2rem}.paper{display:block}.fine,.budget,.cap{font-size:7.5pt}
main>section:not(.meter) h2,.beside h2{font-size:10pt;margin:.35rem 0 .05rem}header h1{font-size:17pt}.list{font-size:8pt}.list tbody td{padding-top:.08rem}.list .why td,.list .next{font-size:7.5pt;line-height:1.15;padding-bottom:.02rem}.over{font-size:8pt}.over td,.over th{padding-top:.06rem;padding-bottom:.06rem}
.beside{columns:3;column-gap:5mm;font-size:7pt}.beside .fine,.beside .over{font-size:7pt}.beside p,.beside li{line-height:1.2}.beside section{break-inside:auto}.beside h3{font-size:8.5pt;margin:.3rem 0 0}ul{margin:.15rem 0}.spark svg{height:13px}header{padding-bottom:.2rem}header p{margin:.1rem 0}
.entry{border-left-color:#000;margin:.5rem 0}.meter{margin-top:0;content-visibility:visible}.fig{margin:.5rem 0}.pt{margin-top:.25rem}
.list th:nth-child(1){width:1.4rem}.list th:nth-child(2){width:16%}.list th:nth-child(3){width:5.5%}.list th:nth-child(4){width:11%}.list th:nth-child(5){width:4.5%}.list th:nth-child(6){width:22.5%}.list th:nth-child(7){width:14.5%}.list th:nth-child(8){width:10.5%}.list th:nth-child(9){width:7.2%}.list thead .n{padding-right:.5rem}.list tbody td{padding-right:.3rem}.list td.n{white-space:nowrap}
.ln .why{display:none}.list .ln td{padding-top:0;padding-bottom:0;line-height:1.15;font-size:7.5pt}.list .ln .rank{font-size:7.5pt}.list .ln svg{height:8px}
.story{font-size:7.5pt}
.spark{display:flex;gap:.5em;align-items:baseline}.spark .cap{display:none}.list .why .next{display:inline}.two{grid-template-columns:1fr 1.25fr;gap:0 1.5rem}.care{padding:.2rem .6rem}p{max-width:none}}
";
