//! Completions in real shells: what a shell inserts is one word, and nothing of it runs.
//!
//! Each shell runs interactively on a pseudo terminal (`script` of util-linux); a name is begun, Tab
//! pressed, and the arguments that the command then gets are looked at. Where a shell is not installed its test
//! says so and is left out, unless COMPBAND_ALL_SHELLS is set, as `.ci/run` does.
#![cfg(target_os = "linux")]

use std::fs;
use std::io::{Read, Write};
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::thread::sleep;
use std::time::{Duration, Instant};

use crate::runner::{compband, out};

/// Names that a shell would run, expand, split or end a quote at.
const NAMES: [&str; 6] = [
    "X$(touch P)`touch P`",
    "Zed *",
    "it's \"a\" !x ; touch P",
    "Col: a=b@c",
    "~root {1,2} #?",
    "Größe <7> \\n & | > P",
];

/// What a person types of a name, and which it is.
const TYPED: [(&str, &str); 9] = [
    ("X", NAMES[0]),
    ("\"X", NAMES[0]),
    ("'X", NAMES[0]),
    ("Zed", NAMES[1]),
    ("Zed\\ ", NAMES[1]),
    ("\"it", NAMES[2]),
    ("it", NAMES[2]),
    ("Col", NAMES[3]),
    ("Gr", NAMES[5]),
];

fn is_there(shell: &str) -> bool {
    let there = Command::new(shell)
        .arg("--version")
        .stdout(Stdio::null())
        .status()
        .is_ok_and(|status| status.success());
    if !there {
        assert!(
            std::env::var_os("COMPBAND_ALL_SHELLS").is_none(),
            "{shell} is not installed"
        );
        // Past the test harness, which keeps what passing tests print.
        let said = format!("\nLEFT OUT: completion in {shell}, which is not installed\n\n");
        let _ = std::io::stderr().write_all(said.as_bytes());
    }
    there
}

/// A book with the names, and a `compband` that notes its arguments instead of running, but answers
/// the shell.
fn book() -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    out(dir.path(), &["init"]);
    for name in NAMES {
        out(dir.path(), &["log", "--model", name, "--price", "5"]);
    }
    fs::create_dir(dir.path().join("bin")).unwrap();
    let wrapper = format!(
        "#!/bin/sh\nif [ \"$1\" = completions ]; then exec '{real}' \"$@\"; fi\n\
         if [ -n \"$COMPBAND_COMPLETE\" ]; then '{real}' \"$@\"; : > asked; exit 0; fi\n\
         printf '%s\\n' \"$@\" > argv.new; mv argv.new argv\n",
        real = compband(dir.path()).get_program().display()
    );
    let path = dir.path().join("bin/compband");
    fs::write(&path, wrapper).unwrap();
    fs::set_permissions(&path, fs::Permissions::from_mode(0o755)).unwrap();
    dir
}

fn wait_for(what: &str, so: impl Fn() -> bool) {
    let begun = Instant::now();
    while !so() {
        assert!(begun.elapsed() < Duration::from_secs(60), "{what}");
        sleep(Duration::from_millis(20));
    }
}

struct Terminal {
    child: Child,
    seen: Arc<Mutex<String>>,
}

impl Terminal {
    fn open(dir: &Path, shell: &str) -> Self {
        let inside = format!("stty cols 200 rows 50; exec {shell}");
        let path = std::env::var("PATH").unwrap();
        let mut child = Command::new("script")
            .args(["-qec", &inside, "/dev/null"])
            .current_dir(dir)
            .env("PATH", format!("{}:{path}", dir.join("bin").display()))
            .env("HOME", dir)
            .env("ZDOTDIR", dir)
            .env("SHELL", "/bin/sh")
            .env("TERM", "xterm")
            .env("LC_ALL", "C.UTF-8")
            .env_remove("COMPBAND_BOOK")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let seen = Arc::new(Mutex::new(String::new()));
        let (into, mut output) = (Arc::clone(&seen), child.stdout.take().unwrap());
        std::thread::spawn(move || {
            let mut bytes = [0; 4096];
            while let Ok(read @ 1..) = output.read(&mut bytes) {
                let text = String::from_utf8_lossy(&bytes[..read]);
                into.lock().unwrap().push_str(&text);
            }
        });
        Self { child, seen }
    }

    fn key(&mut self, keys: &str) {
        let input = self.child.stdin.as_mut().unwrap();
        input.write_all(keys.as_bytes()).unwrap();
        input.flush().unwrap();
    }

    fn screen(&self) -> String {
        self.seen.lock().unwrap().clone()
    }
}

impl Drop for Terminal {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Begins each name in the shell, and looks at what came of it.
fn complete_in(name: &str, start: &str, rc: (&str, &str)) {
    if !is_there(name) {
        return;
    }
    let dir = book();
    fs::write(dir.path().join(rc.0), rc.1).unwrap();
    let (asked, argv) = (dir.path().join("asked"), dir.path().join("argv"));
    for (typed, whole) in TYPED {
        let _ = fs::remove_file(&asked);
        let _ = fs::remove_file(&argv);
        let mut terminal = Terminal::open(dir.path(), start);
        wait_for(&format!("a prompt of {name}"), || {
            terminal.screen().contains("READY>")
        });
        terminal.key(&format!("compband estimate --model {typed}"));
        sleep(Duration::from_millis(200));
        terminal.key("\t");
        wait_for(&format!("{name} asks for {typed}"), || asked.exists());
        sleep(Duration::from_millis(300));
        terminal.key("\r");
        wait_for(
            &format!("{name} runs what {typed} became: {}", terminal.screen()),
            || argv.exists(),
        );
        let got = fs::read_to_string(&argv).unwrap();
        let screen = terminal.screen();
        assert_eq!(
            got.lines().collect::<Vec<_>>(),
            ["estimate", "--model", whole],
            "{name}, {typed}: {screen}"
        );
        assert!(!dir.path().join("P").exists(), "{name}, {typed}: it ran");
    }
}

#[test]
fn bash_inserts_one_word_that_does_nothing() {
    let rc = "PS1='READY>'\nsource <(compband completions bash)\n";
    complete_in("bash", "bash --noprofile --rcfile rc -i", ("rc", rc));
}

#[test]
fn zsh_inserts_one_word_that_does_nothing() {
    let rc = "PROMPT='READY>'\nautoload -U compinit; compinit -u -D\nsource <(compband completions zsh)\n";
    complete_in("zsh", "zsh -d -i", (".zshrc", rc));
}

#[test]
fn fish_inserts_one_word_that_does_nothing() {
    let rc = "function fish_prompt; printf 'READY>'; end\nset -g fish_greeting\ncompband completions fish | source\n";
    complete_in("fish", "fish --init-command 'source rc'", ("rc", rc));
}
