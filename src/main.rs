//! The `imbrex` program: hands its arguments to the command line module and exits with its code.

fn main() -> std::process::ExitCode {
    imbrex::cli::run()
}
