//! Who is let in, and what no request can do.

use super::DeskRun;
use crate::estimate::demo;

#[test]
fn the_printed_address_lets_one_browser_in_once() {
    let book = demo();
    let mut desk = DeskRun::start(book.path());
    let enter = format!("/enter/{}", desk.token);
    assert_eq!(desk.get("/price").status, 403);
    assert_eq!(desk.get("/enter/0123").status, 403);
    let first = desk.get(&enter);
    assert_eq!((first.status, first.header("location")), (303, "/"));
    let cookie = first.header("set-cookie");
    assert!(
        cookie.contains("; HttpOnly") && cookie.contains("; SameSite=Strict"),
        "{cookie}"
    );
    assert_eq!(desk.get(&enter).status, 403);
    desk.cookie = cookie.split(';').next().unwrap().to_string();
    assert_eq!(desk.get("/").header("location"), "/price");
    assert_eq!(desk.page("/price").header("cache-control"), "no-store");
}
