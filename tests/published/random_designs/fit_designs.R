# Fits every design of designs.csv and writes one row a term: Kenward-Roger (pbkrtest) and Satterthwaite
# (lmerTest) tests, variances, restricted log likelihood.
# Usage: Rscript fit_designs.R designs.csv results.csv
suppressMessages({library(lme4); library(lmerTest); library(pbkrtest)})
files <- commandArgs(trailingOnly = TRUE)
all <- read.csv(files[1], stringsAsFactors = TRUE)
formulas <- list(
  group = y ~ timef + (1 | group),
  nested = y ~ timef + (1 | group) + (1 | group:timef),
  crossed = y ~ timef + (1 | group) + (1 | day),
  interaction = y ~ timef * ball + (1 | group),
  slope = y ~ time + (1 | group) + (0 + time | group),
  correlated = y ~ time + (time | group))
tight <- lmerControl(calc.derivs = FALSE, optCtrl = list(
  xtol_abs = 1e-12, xtol_rel = 1e-12, ftol_abs = 1e-14, ftol_rel = 1e-14, maxeval = 20000))
rows <- list()
for (k in unique(all$design)) {
  d <- droplevels(all[all$design == k, ])
  d$timef <- factor(d$time)
  kind <- as.character(d$kind[1])
  fit <- suppressMessages(suppressWarnings(lmerTest::lmer(formulas[[kind]], d, control = tight)))
  kr <- anova(fit, type = 3, ddf = "Kenward-Roger")
  sat <- anova(fit, type = 3, ddf = "Satterthwaite")
  v <- as.data.frame(VarCorr(fit))
  for (term in rownames(kr)) {
    rows[[length(rows) + 1]] <- data.frame(
      design = k, kind = kind, term = term, num_df = kr[term, "NumDF"],
      kr_df = kr[term, "DenDF"], kr_f = kr[term, "F value"], kr_p = kr[term, "Pr(>F)"],
      sat_df = sat[term, "DenDF"], sat_f = sat[term, "F value"], sat_p = sat[term, "Pr(>F)"],
      log_likelihood = as.numeric(logLik(fit)), singular = isSingular(fit),
      residual = sigma(fit)^2,
      components = paste(sprintf("%.10g", v$vcov), collapse = " "))
  }
}
out <- do.call(rbind, rows)
numeric <- sapply(out, is.double)
out[numeric] <- lapply(out[numeric], function(x) sprintf("%.12g", x))
write.csv(out, files[2], row.names = FALSE, quote = FALSE)
