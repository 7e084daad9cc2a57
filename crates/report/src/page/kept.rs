//! Whether probabilities kept their word: reliability diagrams, stated against seen.
//!
//! Method: one point per tenth of the scale (Murphy & Winkler 1977, Applied Statistics 26, 41: the
//!         reliability diagram), whiskers by Wilson (1927) at 95 %, and the Brier score beside the
//!         score of one who states the share of faults every time (Brier 1950).
//! Limits: the nights of one meter are alike, so the whiskers are shorter than they should be.

use super::Page;
use maud::{Markup, html};

/// Side of the plot, px.
const SIDE: f64 = 180.0;
/// Room for labels to the left and below, px.
const MARGIN: f64 = 40.0;

/// How stated probabilities turned out over many judged meter-nights.
#[derive(Clone, Debug, PartialEq)]
pub struct KeptWord {
    /// On what: `ten simulated fleets, each judged by a line fitted on the others`.
    pub on: String,
    /// Meter-nights.
    pub nights: u64,
    /// Mean squared error of the stated probability.
    pub brier: f64,
    /// The same for one who states the share of faults every time.
    pub base_rate_brier: f64,
    /// Bins of the scale that hold meter-nights, upward.
    pub bins: Vec<KeptBin>,
}

/// Meter-nights whose stated probability fell into one bin.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct KeptBin {
    /// Mean of what was stated.
    pub stated: f64,
    /// Share that was at fault.
    pub seen: f64,
    /// Interval of that share.
    pub low: f64,
    /// Its upper end.
    pub high: f64,
    /// Meter-nights.
    pub n: u64,
}

/// All diagrams of the night.
pub(crate) fn kept(page: &Page<'_>) -> Markup {
    html! {
        section id="kept" {
            h2 { "Whether probabilities kept their word" }
            @if page.input.kept.is_empty() { p { "Not known: nothing was ever held against what was found." } }
            @for one in page.input.kept { (diagram(one)) }
        }
    }
}

fn diagram(kept: &KeptWord) -> Markup {
    html! {
        h3 { "On " (kept.on) }
        figure class="kept" {
            (plot(kept))
            table {
                thead { tr { th class="n" { "stated" } th class="n" { "at fault" } th class="n" { "95 %" } th class="n" { "meter-nights" } } }
                tbody { @for bin in &kept.bins { tr {
                    td class="n" { (share(bin.stated)) }
                    td class="n" { (share(bin.seen)) }
                    td class="n" { (share(bin.low)) " to " (share(bin.high)) }
                    td class="n" { (bin.n) }
                } } }
            }
        }
        p class="fine" {
            (kept.nights) " meter-nights. Brier score " (format!("{:.4}", kept.brier))
            "; stating the share of faults every time would score "
            (format!("{:.4}", kept.base_rate_brier))
            ". On the dashed line the probability is right; whiskers hold 95 % if all nights were independent, and the nights of one meter are not."
        }
    }
}

/// Whole per cent. What was seen may be all or nothing, unlike what is stated.
fn share(value: f64) -> String {
    format!("{:.0} %", 100.0 * value)
}

fn plot(kept: &KeptWord) -> Markup {
    let x = |at: f64| MARGIN + SIDE * at.clamp(0.0, 1.0);
    let y = |at: f64| SIDE * (1.0 - at.clamp(0.0, 1.0)) + 8.0;
    let px = |value: f64| format!("{value:.1}");
    let label = format!("share at fault against stated probability on {}", kept.on);
    html! {
        svg width=(SIDE + MARGIN + 12.0) height=(SIDE + MARGIN + 8.0) role="img" aria-label=(label) {
            @for tick in [0.0, 0.5, 1.0] {
                line class="gr" x1=(px(x(tick))) x2=(px(x(tick))) y1=(px(y(0.0))) y2=(px(y(1.0))) {}
                line class="gr" x1=(px(x(0.0))) x2=(px(x(1.0))) y1=(px(y(tick))) y2=(px(y(tick))) {}
                text x=(px(x(tick))) y=(px(y(0.0) + 14.0)) text-anchor="middle" { (share(tick)) }
                text x=(px(x(0.0) - 4.0)) y=(px(y(tick) + 4.0)) text-anchor="end" { (share(tick)) }
            }
            line class="lm" x1=(px(x(0.0))) y1=(px(y(0.0))) x2=(px(x(1.0))) y2=(px(y(1.0))) {}
            @for bin in &kept.bins {
                line class="kx" x1=(px(x(bin.stated))) x2=(px(x(bin.stated))) y1=(px(y(bin.low))) y2=(px(y(bin.high))) {}
                circle class="k1" cx=(px(x(bin.stated))) cy=(px(y(bin.seen))) r="3.5" {}
            }
        }
    }
}
