//! `loopwitness demo`: the sample works behind simulated gateways.

/// Fails until the sample fleet can be served.
pub(crate) fn run(_args: &crate::cli::DemoArgs) -> anyhow::Result<()> {
    anyhow::bail!("demo is not built yet")
}
