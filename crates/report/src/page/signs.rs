//! Shapes that carry meaning without colour, drawn once and used by name.
//!
//! Source: NAMUR NE 107 status signals, shapes and colours as the standard describes them (from
//!         memory, our own drawing): failure, circle with cross, red; function check, triangle
//!         with spanner, orange; out of specification, triangle with question mark, yellow;
//!         maintenance required, square with oil can, blue. The letter stands beside the sign.

use maud::{Markup, html};

/// The shapes, as symbols at the top of the page.
pub(crate) fn definitions() -> Markup {
    html! {
        svg width="0" height="0" class="defs" aria-hidden="true" { defs {
            symbol id="sF" viewBox="0 0 20 20" {
                circle cx="10" cy="10" r="8.5" fill="var(--red)" {}
                path d="M6 6l8 8M14 6l-8 8" stroke="#fff" stroke-width="2.6" {}
            }
            symbol id="sC" viewBox="0 0 20 20" {
                path d="M10 1.5L19 18H1Z" fill="var(--orange)" stroke="#000" stroke-width="1" {}
                path d="M7 16.2l3.6-5.4" stroke="#000" stroke-width="2.4" stroke-linecap="round" {}
                path d="M11.2 7.2l-.6 2.3 1.9 1.3 2-1.2a2.9 2.9 0 1 1-3.3-2.4z" fill="#000" {}
            }
            symbol id="sS" viewBox="0 0 20 20" {
                path d="M10 1.5L19 18H1Z" fill="var(--yellow)" stroke="#000" stroke-width="1" {}
                path d="M7.9 9.4a2.1 2.1 0 1 1 3.2 1.9c-.8.5-1.1.8-1.1 1.7" fill="none" stroke="#000" stroke-width="1.6" {}
                circle cx="10" cy="15.4" r="1.1" fill="#000" {}
            }
            symbol id="sM" viewBox="0 0 20 20" {
                rect x="1.5" y="1.5" width="17" height="17" fill="var(--blue)" {}
                path d="M4 9h7v6H4zM11 10.5l4.8-3.2M6 9V7h3" fill="none" stroke="#fff" stroke-width="1.5" {}
                path d="M16.4 9.2c.7 1 .9 1.4.9 1.8a.9.9 0 0 1-1.8 0c0-.4.2-.8.9-1.8z" fill="#fff" {}
            }
            // Records in the pictures: shape = outcome, filled = inlet or whole, open = outlet.
            (record_shape("kp", ["M-2.6 0a2.6 2.6 0 1 0 5.2 0a2.6 2.6 0 1 0-5.2 0Z", "M-4.2 0a4.2 4.2 0 1 0 8.4 0a4.2 4.2 0 1 0-8.4 0Z"]))
            (record_shape("kf", ["M0-4L4 0L0 4L-4 0Z", "M0-5.8L5.8 0L0 5.8L-5.8 0Z"]))
            (record_shape("kz", ["M0-4.4L4.4 3.4H-4.4Z", "M0-4.4L4.4 3.4H-4.4Z"]))
            g id="ka" { path d="M-3.5-3.5L3.5 3.5M3.5-3.5L-3.5 3.5" class="kx" {} }
            pattern id="ha" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(45)" {
                path d="M0 0V5" stroke="var(--ink)" stroke-width="1.6" {}
            }
        } }
    }
}

/// One shape, filled (`…1`) and open (`…0`); open ones are larger, so that a filled one inside
/// leaves a ring.
fn record_shape(id: &str, [filled, open]: [&str; 2]) -> Markup {
    html! {
        g id={ (id) "1" } { path d=(filled) class="k1" {} }
        g id={ (id) "0" } { path d=(open) class="k0" {} }
    }
}

/// The sign of a letter with the letter beside it.
pub(crate) fn ne107(letter: char) -> Markup {
    let words = match letter {
        'F' => "failure",
        'C' => "function check",
        'S' => "out of specification",
        _ => "maintenance required",
    };
    html! {
        span class="sign" title=(words) {
            svg width="18" height="18" role="img" aria-label=(words) { use href={ "#s" (letter) } {} }
            (letter)
        }
    }
}

/// How an entry stands against the last night: a shape and a word.
pub(crate) fn change(word: &str) -> Markup {
    let shape = match word {
        "new" => "\u{25CF}",
        "worse" => "\u{25B2}",
        "better" => "\u{25BD}",
        "gone" => "\u{25CB}",
        _ => "\u{2013}",
    };
    html! { span class={ "ch " (word) } { span aria-hidden="true" { (shape) } " " (word) } }
}
