//! The laboratory's seal against OpenSSH's own program, which is the outside
//! here: each has to take what the other made.

use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use crate::bench::run_folder::{code, copy_folder, spanhold, stderr, stdout};
use crate::tampering::finished;

fn ssh_keygen(folder: &Path, arguments: &[&str], input: Option<&Path>) -> Output {
    let input = input.map_or_else(Stdio::null, |path| {
        std::fs::File::open(path).unwrap().into()
    });
    Command::new("ssh-keygen")
        .current_dir(folder)
        .args(arguments)
        .stdin(input)
        .output()
        .unwrap()
}

/// A run to seal, and keys.
struct Bench {
    folder: tempfile::TempDir,
}

impl Bench {
    /// `None`, with a word, where there is no ssh-keygen.
    fn new() -> Option<Self> {
        if Command::new("ssh-keygen").arg("-?").output().is_err() {
            eprintln!("skipped: there is no ssh-keygen to hold the seal against");
            return None;
        }
        let folder = tempfile::tempdir().unwrap();
        copy_folder(&finished().run(), &folder.path().join("run"));
        let bench = Self { folder };
        bench.key("key", "ed25519", "");
        Some(bench)
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn name(&self, name: &str) -> String {
        self.path(name).display().to_string()
    }

    fn keygen(&self, arguments: &[&str], input: Option<&Path>) -> Output {
        ssh_keygen(self.folder.path(), arguments, input)
    }

    fn key(&self, name: &str, kind: &str, passphrase: &str) {
        let made = self.keygen(&["-q", "-t", kind, "-N", passphrase, "-f", name], None);
        assert!(made.status.success(), "{}", stderr(&made));
    }

    /// Signs the list as the guide says.
    fn sign(&self, key: &str, namespace: &str) {
        let _ = std::fs::remove_file(self.path("run/seal.json.sig"));
        let arguments = ["-Y", "sign", "-f", key, "-n", namespace, "run/seal.json"];
        let signed = self.keygen(&arguments, None);
        assert!(signed.status.success(), "{}", stderr(&signed));
    }

    fn seal(&self, arguments: &[&str]) -> Output {
        spanhold(&[&["seal", &self.name("run")], arguments].concat())
    }

    /// What `seal` says of the seal, which does not hold.
    fn broken(&self, arguments: &[&str]) -> String {
        let output = self.seal(arguments);
        assert_eq!(code(&output), 1, "{}{}", stdout(&output), stderr(&output));
        let said = stdout(&output);
        assert!(said.contains("IS BROKEN"), "{said}");
        said
    }
}

#[test]
fn a_seal_is_taken_by_ssh_keygen_and_one_of_ssh_keygen_by_the_program() {
    let Some(bench) = Bench::new() else { return };
    let none = bench.seal(&[]);
    assert_eq!(code(&none), 2);
    assert!(stderr(&none).contains("is not sealed"), "{}", stderr(&none));

    let sealed = bench.seal(&["--key", &bench.name("key")]);
    assert_eq!(code(&sealed), 0, "{}", stderr(&sealed));
    let fingerprint = bench.keygen(&["-l", "-f", "key.pub"], None);
    let fingerprint = stdout(&fingerprint);
    let fingerprint = fingerprint.split_whitespace().nth(1).unwrap();
    assert!(
        stdout(&sealed).contains(&format!("by the key {fingerprint}; everything is as")),
        "{fingerprint}: {}",
        stdout(&sealed)
    );
    let public = std::fs::read_to_string(bench.path("key.pub")).unwrap();
    std::fs::write(bench.path("signers"), format!("lab {public}")).unwrap();
    let check = |what: &str| {
        let sig = "run/seal.json.sig";
        let arguments = [
            "-Y", "verify", "-f", "signers", "-I", "lab", "-n", what, "-s", sig,
        ];
        bench.keygen(&arguments, Some(&bench.path("run/seal.json")))
    };
    let good = check("spanhold-run");
    assert!(good.status.success(), "{}{}", stdout(&good), stderr(&good));
    assert!(!check("file").status.success());

    // The other way round.
    let listed = bench.seal(&["--list"]);
    assert_eq!(code(&listed), 0, "{}", stderr(&listed));
    assert!(stdout(&listed).contains("ssh-keygen -Y sign -f KEY -n spanhold-run "));
    assert!(bench.broken(&[]).contains("seal.json.sig is missing"));
    bench.sign("key", "spanhold-run");
    let public = bench.name("key.pub");
    let held = bench.seal(&["--by", &public, "--json"]);
    assert_eq!(code(&held), 0, "{}{}", stdout(&held), stderr(&held));
    let found: serde_json::Value = serde_json::from_str(&stdout(&held)).unwrap();
    assert_eq!(found["key"], fingerprint);

    // Signatures for something else, by somebody else, of a kind not known here.
    bench.sign("key", "file");
    assert!(bench.broken(&[]).contains("is no signature of seal.json"));
    bench.key("other", "ed25519", "");
    bench.sign("other", "spanhold-run");
    assert_eq!(code(&bench.seal(&[])), 0);
    assert!(bench.broken(&["--by", &public]).contains("another key"));
    bench.key("rsa", "rsa", "");
    bench.sign("rsa", "spanhold-run");
    assert!(bench.broken(&[]).contains("`ssh-keygen -Y verify` does"));

    // One whose passphrase only its owner knows.
    bench.key("locked", "ed25519", "secret");
    let refused = bench.seal(&["--key", &bench.name("locked")]);
    assert_eq!(code(&refused), 2);
    assert!(stderr(&refused).contains("--list"), "{}", stderr(&refused));
}

#[test]
fn whatever_is_altered_breaks_the_seal_and_what_comes_later_is_named() {
    let Some(bench) = Bench::new() else { return };
    let key = bench.name("key");
    assert_eq!(code(&bench.seal(&["--key", &key])), 0);
    let run = bench.name("run");
    for command in ["verify", "audit"] {
        let said = stdout(&spanhold(&[command, &run]));
        assert!(said.contains("Sealed on "), "{command}: {said}");
    }
    let list = std::fs::read_to_string(bench.path("run/seal.json")).unwrap();
    let sealed: serde_json::Value = serde_json::from_str(&list).unwrap();
    let files = sealed["files"].as_array().unwrap();
    let names: Vec<&str> = files
        .iter()
        .map(|file| file["path"].as_str().unwrap())
        .collect();
    for name in [
        "run.json",
        "report.html",
        "curves/example-curve.csv",
        "results.jsonl",
    ] {
        assert!(names.contains(&name), "{name}: {names:?}");
    }
    for name in names {
        let path = bench.path("run").join(name);
        let before = std::fs::read(&path).unwrap();
        std::fs::write(&path, [&before[..], b"\n"].concat()).unwrap();
        let said = bench.broken(&[]);
        assert!(
            said.contains(&format!("{name} is not what was sealed")),
            "{said}"
        );
        std::fs::remove_file(&path).unwrap();
        let said = bench.broken(&[]);
        assert!(
            said.contains(&format!("{name} is not there any more")),
            "{said}"
        );
        std::fs::write(&path, before).unwrap();
    }
    // The list itself, the time of the seal in it.
    let altered = list.replacen("\"sealed_utc\": \"2", "\"sealed_utc\": \"1", 1);
    assert_ne!(altered, list);
    std::fs::write(bench.path("run/seal.json"), altered).unwrap();
    assert!(bench.broken(&[]).contains("is no signature of seal.json"));
    for command in ["verify", "audit"] {
        let output = spanhold(&[command, &run]);
        assert_eq!(code(&output), 1, "{command}: {}", stdout(&output));
        assert!(
            stdout(&output).contains("THE SEAL IS BROKEN"),
            "{}",
            stdout(&output)
        );
    }
    std::fs::write(bench.path("run/seal.json"), list).unwrap();
    std::fs::write(bench.path("run/note.txt"), "later").unwrap();
    let said = bench.seal(&[]);
    assert_eq!(code(&said), 0);
    assert!(stdout(&said).contains("Not sealed, made later: note.txt."));

    // What was altered is not sealed.
    let points = std::fs::read_to_string(bench.path("run/points.jsonl")).unwrap();
    std::fs::write(
        bench.path("run/points.jsonl"),
        points.replacen("held", "HELD", 1),
    )
    .unwrap();
    let refused = bench.seal(&["--key", &key]);
    assert_eq!(code(&refused), 2, "{}", stdout(&refused));
}
