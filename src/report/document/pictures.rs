//! Photographs and sketches, each with its caption.

use maud::{Markup, html};

use super::signoff::file_name;
use crate::report::pictures::ShownPicture;

pub(super) fn section(pictures: &[ShownPicture]) -> Markup {
    html! {
        @if !pictures.is_empty() {
            h2 { "Pictures" } "\n"
            div class="pictures" { "\n"
                @for (number, picture) in (1..).zip(pictures) { (figure(number, picture)) }
            } "\n"
        }
    }
}

fn figure(number: usize, picture: &ShownPicture) -> Markup {
    html! {
        figure class="picture" { "\n"
            @match &picture.image {
                Ok(address) => { img src=(address) alt=(picture.caption); "\n" }
                Err(why) => {
                    p class="warning" { (file_name(&picture.file)) " is not shown: " (why) "." } "\n"
                }
            }
            figcaption { "Picture " (number) ". " (picture.caption) } "\n"
        } "\n"
    }
}
