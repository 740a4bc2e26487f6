//! A headless browser, if there is one.

use std::ops::RangeInclusive;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// A browser of the Chromium family.
pub struct Browser(PathBuf);

/// A page as it came out.
pub struct Seen {
    /// The document after loading.
    pub dom: String,
    /// What the browser's console and loader had to say, and every address asked for beyond the file itself.
    pub complaints: Vec<String>,
    /// Grey tones of the first screen, 1300 x 900.
    tones: Vec<u8>,
}

impl Seen {
    /// Share of the first screen with these tones.
    pub fn share(&self, tones: RangeInclusive<u8>) -> f64 {
        self.tones.iter().filter(|&t| tones.contains(t)).count() as f64 / self.tones.len() as f64
    }
}

impl Browser {
    /// The first browser on the path. Without one the check is skipped, loudly; with CI=true that is a failure.
    #[expect(clippy::print_stderr, reason = "a skipped check must be heard")]
    pub fn found() -> Option<Browser> {
        let path = std::env::var_os("PATH").unwrap_or_default();
        let named = |dir: PathBuf| ["chromium", "chromium-browser", "google-chrome"].map(|name| dir.join(name));
        let found = std::env::split_paths(&path).flat_map(named).find(|p| p.is_file());
        if found.is_none() {
            let how = "no browser on the path: the report was not opened in one (Debian: apt-get install chromium)";
            assert!(std::env::var("CI").as_deref() != Ok("true"), "{how}");
            eprintln!("SKIPPED: {how}");
        }
        found.map(Browser)
    }

    /// Opens a page from a file.
    pub fn open(&self, page: &str) -> Seen {
        let dir = tempfile::tempdir().expect("a folder");
        let file = dir.path().join("page.html");
        std::fs::write(&file, page).expect("written");
        let (picture, log) = (dir.path().join("seen.png"), dir.path().join("net.json"));
        let dumped =
            self.run(dir.path(), &["--dump-dom".to_owned(), format!("--log-net-log={}", log.display())], &file);
        let shot = ["--window-size=1300,900".to_owned(), format!("--screenshot={}", picture.display())];
        self.run(dir.path(), &shot, &file);
        let console = String::from_utf8_lossy(&dumped.stderr).into_owned();
        let mut complaints: Vec<String> =
            console.lines().filter(|l| l.contains("CONSOLE")).map(str::to_owned).collect();
        complaints.extend(asked_for(&std::fs::read_to_string(log).expect("a log")));
        Seen { dom: String::from_utf8_lossy(&dumped.stdout).into_owned(), complaints, tones: grey(&picture) }
    }

    /// A page as it would be printed: a PDF.
    #[allow(dead_code, reason = "not every test prints")]
    pub fn printed(&self, page: &str) -> Vec<u8> {
        let dir = tempfile::tempdir().expect("a folder");
        let (file, pdf) = (dir.path().join("page.html"), dir.path().join("page.pdf"));
        std::fs::write(&file, page).expect("written");
        let options = ["--no-pdf-header-footer".to_owned(), format!("--print-to-pdf={}", pdf.display())];
        self.run(dir.path(), &options, &file);
        std::fs::read(pdf).expect("printed")
    }

    fn run(&self, dir: &Path, options: &[String], file: &Path) -> std::process::Output {
        let quiet = ["--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--enable-logging=stderr"];
        let alone =
            ["--no-first-run", "--disable-background-networking", "--disable-component-update", "--disable-sync"];
        let done = Command::new(&self.0)
            .args(quiet)
            .args(alone)
            .arg(format!("--user-data-dir={}", dir.join("profile").display()))
            .args(options)
            .arg(format!("file://{}", file.display()))
            .stdin(Stdio::null())
            .output()
            .expect("the browser runs");
        assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
        done
    }
}

/// Addresses of the made-up page's making in the browser's own network log.
fn asked_for(log: &str) -> Vec<String> {
    log.split("\"url\":\"")
        .skip(1)
        .filter_map(|t| t.split('"').next())
        .filter(|u| u.contains("example.invalid"))
        .map(str::to_owned)
        .collect()
}

fn grey(file: &Path) -> Vec<u8> {
    let decoder = png::Decoder::new(std::io::BufReader::new(std::fs::File::open(file).expect("a screenshot")));
    let mut reader = decoder.read_info().expect("a PNG");
    let mut pixels = vec![0; reader.output_buffer_size().expect("of sane size")];
    let info = reader.next_frame(&mut pixels).expect("whole");
    let step = info.color_type.samples();
    pixels[..info.buffer_size()].chunks(step).map(|p| p[step.min(2) - 1]).collect()
}
